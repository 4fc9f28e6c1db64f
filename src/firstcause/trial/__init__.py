"""The trial: virtual cars with hidden faults, worked by policies through the casebook, and judged."""
