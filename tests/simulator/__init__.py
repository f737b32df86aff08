"""A float line of known truth: what the tracing is measured against. Everything here is invented."""
