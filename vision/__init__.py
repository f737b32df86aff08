"""Photo in, measured finds out."""
