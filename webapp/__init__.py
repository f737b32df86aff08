"""The web app and the command line."""
