"""The clinical content: YAML in, frozen and checked objects out.

`load.load(folder)` is the one entry; it raises ContentError with every finding at once.
"""
