"""The same result as terminal text, JSON and a page."""
