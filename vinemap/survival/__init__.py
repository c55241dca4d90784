"""Cut buds to counts, percentages and intervals, by sample and by block."""
