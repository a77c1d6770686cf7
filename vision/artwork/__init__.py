"""What was intended: strokes and areas in page millimetres, and where they should lie."""
