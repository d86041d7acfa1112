"""What every request meets: middleware, sessions, uploads, responses."""
