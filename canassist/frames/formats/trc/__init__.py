"""TRC text traces, versions 1.0 to 2.1."""
