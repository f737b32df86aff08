"""Training of the learner: drawn fields with truth in, a small file of weights out.

Nothing that runs at an inspection imports this package. It may import `vision.render` and
scikit-learn; the weights it writes are read by `vision.learner` with numpy alone.
"""
