"""Live: inputs from a device or a recording."""
