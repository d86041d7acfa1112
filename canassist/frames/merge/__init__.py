"""Parts and buses of a ride on one time base, clock faults put right."""
