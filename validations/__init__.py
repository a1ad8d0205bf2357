"""Studies too slow for every commit; their tables go into docs/."""
