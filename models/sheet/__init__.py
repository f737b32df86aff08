"""One sheet from what its photos and people saw of it: pure values in, pure values out.

`join` puts the finds of all photos together into the defects seen, `looked` says which part was looked at
and how, `to_judge` builds what the judge gets. Booth, command line, history, trial of a grade and demo all
come here; none of them has a version of its own.
"""
