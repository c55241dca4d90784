"""Winters side by side: where it freezes again and again, and what that means for replanting."""
