"""All that a person sees: words, figures, the drawing, the report."""
