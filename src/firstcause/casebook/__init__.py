"""The case: events that only grow, the case they make, and where they are kept."""
