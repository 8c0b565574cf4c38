"""Everything of tegwatch that waits, talks, stores or shows."""
