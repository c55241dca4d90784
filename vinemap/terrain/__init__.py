"""Elevation to what cold air sees, on the grid of cells over the blocks."""
