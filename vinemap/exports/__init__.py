"""Tables, layers and sentences that leave vinemap."""
