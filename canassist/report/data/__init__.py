"""Results as canonical JSON, figures rounded to documented places."""
