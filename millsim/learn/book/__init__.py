"""A notebook of builds: what was built, predicted, measured and tried, and what it teaches."""
