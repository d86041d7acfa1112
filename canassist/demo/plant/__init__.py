"""The invented vehicle as it runs: rider, supply, heat, protection, planted faults."""
