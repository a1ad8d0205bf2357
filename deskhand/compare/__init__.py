"""What an unknown processor does, from its input and its output."""
