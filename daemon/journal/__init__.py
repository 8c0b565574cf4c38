"""The append-only journal in SQLite, its cursors and its queries."""
