"""The domain of the float line."""
