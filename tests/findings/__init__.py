"""What is said of figures, from figures made by hand."""
