"""The engine behind all line formats: numbers, line buffer, line prefix, batches of lines."""
