"""What an unknown processor does."""
