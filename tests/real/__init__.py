"""Tests on real recorded audio, through the command: material, peers, end to end."""
