"""OSC in and out."""
