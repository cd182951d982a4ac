"""A prediction as one page for the wall: self-contained HTML, and PDF."""
