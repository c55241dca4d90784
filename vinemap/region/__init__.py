"""Many vineyards of one night: each mapped by itself on one machine or many, and what they publish together."""
