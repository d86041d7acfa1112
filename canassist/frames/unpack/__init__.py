"""Compressed files and archives, inflated within bounds."""
