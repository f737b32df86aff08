"""One file a change, numbered in order and named by what it does."""
