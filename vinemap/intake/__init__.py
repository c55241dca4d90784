"""What people's own files mean, and the tidy vineyard folder that comes of them."""
