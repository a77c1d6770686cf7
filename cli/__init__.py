"""The command line, the reports and the evidence."""
