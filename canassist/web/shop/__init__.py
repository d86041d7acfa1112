"""What belongs to the shop itself: its settings and key, and the log of who changed what."""
