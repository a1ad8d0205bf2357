"""One module a change."""
