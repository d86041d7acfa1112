"""One generator of evidence a cause, and the weighing of all."""
