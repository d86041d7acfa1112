"""Pages: the report on a ride, a comparison, a screening."""
