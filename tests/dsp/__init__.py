"""Kernels against tables, libraries and arithmetic."""
