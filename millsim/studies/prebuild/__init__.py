"""The review before steel is cut: every check as one line with value, limit, margin, verdict, formula and basis."""
