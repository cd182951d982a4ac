"""Sentences and tables for the terminal, and the JSON beside them."""
