"""Measures an unknown processor from recordings in front of it and behind it."""
