"""ASAM MDF 4 files with bus logging."""
