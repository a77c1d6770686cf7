"""One thin module per command: read, call, write."""
