"""Draws what a camera would see, by its own ray-casting."""
