"""The command line: a face over the casebook, with no rules of its own."""
