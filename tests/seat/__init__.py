"""The tests of the seat."""
