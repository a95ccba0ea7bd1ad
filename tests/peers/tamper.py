"""Changes a copy of a record behind the program's back.

    python tamper.py DATA "SQL"
"""

import pathlib
import sqlite3
import sys

[record] = pathlib.Path(sys.argv[1]).glob("*.sqlite")
file = sqlite3.connect(record)
file.executescript(sys.argv[2])
file.close()
