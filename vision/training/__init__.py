"""Training of the networks: drawn fields with truth in, a small file of weights out.

Nothing that runs at an inspection imports this package. It may import `vision.synthetic.raytraced` and
scikit-learn; the weights it writes are read by `vision.classification.networks` with numpy alone.
"""
