"""Log formats: a room a format, one registration each in ``frames.registry``."""
