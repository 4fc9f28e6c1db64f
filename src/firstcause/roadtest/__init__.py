"""Proof of repair: a recorded drive read, judged against the published conditions, and drawn."""
