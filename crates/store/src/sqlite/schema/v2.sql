-- Days that went to the archive, in the order they were sealed. For a day that was sealed more than once the latest
-- row counts; its file has what the earlier ones had.
CREATE TABLE seals (
    number       INTEGER PRIMARY KEY AUTOINCREMENT,
    car          TEXT    NOT NULL REFERENCES cars (id),
    day          TEXT    NOT NULL,  -- UTC, yyyy-mm-dd
    file         TEXT    NOT NULL,  -- below archive/
    rows         INTEGER NOT NULL,
    bytes        INTEGER NOT NULL,
    sha256       BLOB    NOT NULL,  -- of the file
    sealed_us    INTEGER NOT NULL,
    through      INTEGER NOT NULL,  -- journal rows of the car up to this position have left the journal
    journal_link BLOB    NOT NULL,  -- the link of the last of them: what is left in the journal is chained to it
    link         BLOB    NOT NULL   -- SHA-256 over the link of the car's seal before and this row
) STRICT;
CREATE INDEX seals_by_day ON seals (car, day, number);
