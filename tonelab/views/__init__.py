"""Results for people and for programs: words, JSON, terminal, notebook, figures, page.

Importing this package costs nothing, so that the help of commands can name what there is.
"""
