"""Simulated captures with known truth, and the demo's invented scenario."""
