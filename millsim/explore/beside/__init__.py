"""Several mills side by side: what differs, what each makes, and how sure the difference is."""
