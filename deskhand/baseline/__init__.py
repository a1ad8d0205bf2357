"""Baseline of a house: kept takes, and the range in which the next take should lie."""
