"""JSON Schemas of the files that Witmark writes (package data)."""
