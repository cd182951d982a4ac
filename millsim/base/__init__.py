"""What knows no mill: numbers with unit and range, compiled code and random streams, the reading of text files."""
