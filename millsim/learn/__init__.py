"""What measurements say: bench tests and run sheets, and the parameters they leave."""
