"""Parts that several folders of tests and the validations share; they import from here, never from each other.

Signals, writers of files, real recordings, readings of arrays, seasons of shows, what a test needs of the machine.
Nothing in here is a test, and nothing in here imports one.
"""
