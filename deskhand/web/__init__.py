"""The local page: everything without typing, for one house folder, on this machine."""
