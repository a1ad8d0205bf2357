"""Seat: a measurement microphone where people sit, one more input of the recording."""
