"""What else is known of the ground than its heights: each source gives the surface a covariate."""
