"""The growing log, read by the code of a report: recipe, channels, alarms."""
