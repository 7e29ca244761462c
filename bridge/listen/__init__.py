"""Listening: audio in, and what is measured of it. Needs the extra `listen`.

Only this room knows numpy, so it is imported where it is used; `bridge.listen.wrong` alone may be
imported without it. Nothing of what is heard is kept but the figures that were measured.
"""
