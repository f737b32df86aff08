"""The claims desk's pages: find a sheet, see all that is on record about it."""
