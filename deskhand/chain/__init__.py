"""The blocks of a chain, and running one with a meter after every block."""
