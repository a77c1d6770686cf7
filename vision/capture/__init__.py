"""Photos as measurements: reading, checking and describing captures."""
