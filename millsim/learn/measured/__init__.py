"""What a workshop can measure: bench tests and one run of the mill, read from its own files, with uncertainties."""
