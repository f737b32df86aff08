"""Pictures of the record: pure geometry from query results to drawable shapes.

A figure takes frozen dataclasses and gives frozen dataclasses of places in its own drawing units.
It knows no request, no session and no file; templates and the dossier draw the same shapes.
Figures may import `models` for the dataclasses they draw and nothing else of `webapp`.
"""
