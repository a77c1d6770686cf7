"""From captures and artwork to a measured and judged job."""
