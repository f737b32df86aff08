"""The quality lead's pages: the ribbon, its defects and their rates."""
