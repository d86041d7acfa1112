"""Candump logs: compact lines, and listings saved from the terminal."""
