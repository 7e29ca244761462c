"""Listening: audio in, what is measured of it, and quick listens out. Needs the extra `listen`.

Only this room knows numpy, so it is imported where it is used; `bridge.listen.wrong` alone may be
imported without it. Nothing of what is heard is kept but the figures that were measured.
"""

import os

# The library behind numpy would otherwise keep a thread spinning on every core, and the player
# needs one. It is read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
