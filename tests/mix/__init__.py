"""The tests of the mix."""
