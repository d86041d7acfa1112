"""Rides in work: the queue, worker processes, their bounds and outcomes."""
