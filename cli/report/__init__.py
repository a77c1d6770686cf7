"""Reports: JSON, CSV, HTML, pictures and the terminal table."""
