"""Changes a copy of a record behind the program's back.

    python tamper.py DATA "SQL"

DATA is a directory with a record, or a file.
"""

import pathlib
import sqlite3
import sys

data = pathlib.Path(sys.argv[1])
[record] = [data] if data.is_file() else data.glob("*.sqlite")
file = sqlite3.connect(record)
file.executescript(sys.argv[2])
file.close()
