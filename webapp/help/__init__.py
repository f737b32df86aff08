"""The guides as pages of the app: Markdown files of `webapp/guides`, rendered once and kept.

They hold nothing of the plant, so they can be read before signing in.
"""
