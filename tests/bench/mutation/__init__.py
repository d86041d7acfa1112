"""Breaks the code on purpose, and tells which breaks no test notices."""
