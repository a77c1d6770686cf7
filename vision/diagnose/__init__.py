"""Causes, and the verdict by clauses."""
