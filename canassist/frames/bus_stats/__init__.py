"""The bus as it was: counts, periods, silences and load."""
