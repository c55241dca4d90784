"""Injury and wood to what to do, by block and by zone."""
