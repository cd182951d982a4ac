"""What a prediction is, its limits and status codes, and the files that hold it. Knows no engine."""
