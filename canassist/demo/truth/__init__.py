"""What really happened on a simulated ride, from its noiseless channels."""
