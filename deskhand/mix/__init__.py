"""Faders and pans to the mix."""
