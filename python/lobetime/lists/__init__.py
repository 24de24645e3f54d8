"""Whole lists: which cases on which session, in what order, at what risk."""
