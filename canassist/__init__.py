"""canassist: why the steering went heavy, read from a CAN bus log."""
