"""The dossier: a sheet's history as a PDF that is the same, byte for byte, whenever the evidence is the same.

Nothing in it depends on the day of printing: every time comes from the record, and the file carries
none of its own. It draws what `webapp.figures` lays out and knows no request but its download.
"""

from webapp.dossier.routes import bp

__all__ = ["bp"]
