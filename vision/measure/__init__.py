"""Observations and quantities in millimetres on the surface."""
