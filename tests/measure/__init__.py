"""Measurements against published cases, other tools and signals whose answer is known."""
