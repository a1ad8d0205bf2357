"""deskhand: reads a soundcheck's multitrack recording and says what to do at the desk before doors."""

__version__ = "0.1.0"
