"""Photos of glass that never was, with their truth: three families of renderers for training and tests.

May import every stage; no stage and nothing that runs at an inspection imports it. Not in the wheel.
"""
