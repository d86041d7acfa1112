"""The local page: drop a ride log in, watch it work, get the report."""
