"""The commands, one small module each: its arguments, one call into the library, what it prints.

A module here has ``SUMMARY`` (one line for ``analyser --help``), ``configure(parser)`` and ``run(options) -> int``. Nothing
heavy may be imported at the top of one: all of them are imported by ``analyser --help``.
"""
