"""The tables of a store's file, and how a file of an earlier release becomes one of today's.

A later release may add tables, and columns that may be empty: nothing here reads or writes a table
by the number of its columns, so what a release does not know it leaves alone.
"""

from __future__ import annotations

APPLICATION_ID = 0x6863_6731
SCHEMA_VERSION = 5
"""Of the file. 2 describes blocks in their context and names the columns of a front; 3 has a
checksum of every record; 4 holds decisions; 5 holds builds in a table of their own. See `layout`
for the version of a block.
"""
CHECKED_SINCE = 3
"""Version whose files have checksums."""
DECISIONS_SINCE = 4
"""Version whose files hold decisions."""
BUILDS_SINCE = 5
"""Version whose files hold drawn builds in a table of their own."""
CHECKSUMS = """CREATE TABLE checksum (
        record TEXT NOT NULL, row INTEGER NOT NULL, value BLOB NOT NULL,
        PRIMARY KEY (record, row)) WITHOUT ROWID"""
"""Of the row whose rowid is `row`, in the table of a kind of `checksums.RECORDS`."""

DECISIONS = """CREATE TABLE decision (
        id INTEGER PRIMARY KEY AUTOINCREMENT, design TEXT NOT NULL, hash TEXT NOT NULL,
        entry TEXT NOT NULL, decided TEXT NOT NULL)"""
"""Appended: of a design the last row holds. `entry` is JSON, null where a lock was taken back;
`hash` is that of the results in it.
"""

BUILDS_TABLE = """CREATE TABLE builds (
        id INTEGER PRIMARY KEY AUTOINCREMENT, search TEXT NOT NULL, designs INTEGER NOT NULL,
        rules TEXT NOT NULL, content BLOB NOT NULL)"""
"""Appended: of a design the last row that holds it counts. `rules` is JSON, see `draws.Draws`."""

TABLES = (
    """CREATE TABLE vocabulary (
        link TEXT NOT NULL, number INTEGER NOT NULL, part TEXT NOT NULL, physics TEXT NOT NULL,
        PRIMARY KEY (link, number), UNIQUE (link, part, physics))""",
    """CREATE TABLE context (
        id INTEGER PRIMARY KEY, model TEXT NOT NULL, scenario TEXT NOT NULL, columns TEXT NOT NULL,
        UNIQUE (model, scenario, columns))""",
    """CREATE TABLE block (
        id INTEGER PRIMARY KEY AUTOINCREMENT, context INTEGER NOT NULL REFERENCES context,
        count INTEGER NOT NULL, source TEXT NOT NULL, written TEXT NOT NULL,
        designs BLOB NOT NULL)""",
    "CREATE TABLE detail (block INTEGER PRIMARY KEY REFERENCES block, results BLOB NOT NULL)",
    "CREATE TABLE progress (key TEXT PRIMARY KEY, saved TEXT NOT NULL, state TEXT NOT NULL)",
    """CREATE TABLE run (
        id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, begun TEXT NOT NULL,
        intent TEXT NOT NULL)""",
    """CREATE TABLE outcome (
        run INTEGER PRIMARY KEY REFERENCES run, ended TEXT NOT NULL, result TEXT NOT NULL)""",
    "CREATE TABLE price_list (hash TEXT PRIMARY KEY, first_used TEXT NOT NULL, list TEXT NOT NULL)",
    """CREATE TABLE price (
        part TEXT NOT NULL, from_quantity INTEGER NOT NULL, price REAL NOT NULL,
        currency TEXT NOT NULL, dated TEXT NOT NULL, first_used TEXT NOT NULL,
        UNIQUE (part, from_quantity, price, currency, dated))""",
    """CREATE TABLE front (
        hash TEXT PRIMARY KEY, designs BLOB NOT NULL, points BLOB NOT NULL, objectives TEXT)""",
    CHECKSUMS,
    DECISIONS,
    BUILDS_TABLE,
)
"""Of a new file. `context.columns` is the layout of its blocks (`layout.Layout`)."""

UPGRADES: dict[int, tuple[str, ...]] = {
    1: ("ALTER TABLE front ADD COLUMN objectives TEXT",),
    2: (CHECKSUMS,),
    3: (DECISIONS,),
    4: (BUILDS_TABLE,),
}
"""Version of a file -> what makes one of the next version of it."""


def upgrade_statements(version: int) -> list[str]:
    """What makes a file of an earlier version one of `SCHEMA_VERSION`.

    >>> upgrade_statements(SCHEMA_VERSION)
    []
    """
    return [one for old in range(version, SCHEMA_VERSION) for one in UPGRADES[old]]
