"""From the interface to the disk: received, made into blocks, written."""
