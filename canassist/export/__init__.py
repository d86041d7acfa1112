"""Channels and events of a ride for other tools: CSV, Parquet and MDF 4."""

from canassist.export.aligned import align
from canassist.export.files import FORMATS, export_files

__all__ = ["FORMATS", "align", "export_files"]
