"""The report of one unit over a stretch of time: figures from the journal, a page that prints."""
