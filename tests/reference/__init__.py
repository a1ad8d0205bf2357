"""Published tables, as read; the source stands in the first lines of each."""
