"""A record as CSV: every cell on a line, with its key, as printed and unrounded. Touches no file."""

import csv
import io

from gateway.records.sheet import CAUTION, Sheet, Table, Words

COLUMNS = ("part", "row", "column", "key", "text", "exact")


def as_csv(sheet: Sheet) -> bytes:
    """The whole sheet; plots are left out."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in (sheet.title, *sheet.head, CAUTION):
        writer.writerow(("head", "", "", "", line, ""))
    for part in sheet.parts:
        if isinstance(part, Words):
            writer.writerows((part.heading, "", "", "", line, "") for line in part.lines)
        elif isinstance(part, Table):
            for row in part.rows:
                for column, cell in zip(part.columns, row, strict=True):
                    exact = "" if cell.exact is None else repr(float(cell.exact))
                    writer.writerow((part.heading, row[0].text, column, cell.key, cell.text, exact))
    return out.getvalue().encode()


def keyed_cells(content: bytes) -> dict[str, str]:
    """Texts of the cells with a key, out of a CSV record; empty when it is none."""
    reader = csv.DictReader(io.StringIO(content.decode(errors="replace")))
    if tuple(reader.fieldnames or ()) != COLUMNS:
        return {}
    return {row["key"]: row["text"] for row in reader if row["key"]}
