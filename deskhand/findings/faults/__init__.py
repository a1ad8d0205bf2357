"""One module a fault; each takes a source, what was read of it and the show, and returns findings."""
