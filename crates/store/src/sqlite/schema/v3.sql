-- Files of the archive that were let go to make room. Their seals stay, so the chain of seals does; the entry says what went
-- and why. A file goes only after its row is here.
CREATE TABLE released (
    seal        INTEGER PRIMARY KEY REFERENCES seals (number),
    entry       INTEGER NOT NULL REFERENCES entries (id),
    released_us INTEGER NOT NULL
) STRICT;
