"""What an auditor is given: events of a span in, a report out, and the report as HTML and CSV."""
