"""Recurrence, options, money over distance: what is likely to come back, when, and what each course costs (pure)."""
