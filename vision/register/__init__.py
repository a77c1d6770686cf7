"""Finding the artwork in a capture, and one capture in another."""
