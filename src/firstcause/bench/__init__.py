"""Judging a measurement at the bench: compression, leak-down, resistance, plug gap, fuel trims."""
