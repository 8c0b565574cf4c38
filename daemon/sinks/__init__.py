"""Where journal entries are sent on, one file each."""
