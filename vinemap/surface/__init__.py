"""Counts and terrain to injury everywhere, with its uncertainty."""
