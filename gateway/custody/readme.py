"""The text that explains an export to somebody who has nothing else. Pure."""

_TEXT = """\
Record of the site {site}, exported from {source}.

Everything here is plain text (UTF-8). No program of the gateway is needed to read or check it.

FILES

  samples-YYYY-MM-DD.csv   every accepted sample of that UTC day, in the order of its number; a header line first
      site         id of the site
      tag, unit    the measured point and its unit, by the configuration in force then
      utc          when the reading arrived, ISO 8601
      site_time    the same moment by the clock of the site, with its offset from UTC
      value        all digits: the shortest decimal that reads back as the same IEEE 754 double; empty without one
      quality      good, uncertain or bad, as the reading itself came; reason says why
      run, n       start of the gateway, and number of the sample; n runs on without gaps and never comes twice
      utc_trusted  1 when the clock was known good
      device_utc   the device's own stamp where it has another
  journal.jsonl            every line of the journal, always from the first: what was decided, asked and answered
  configurations.csv       which configuration was in force, from which run, moment and number
  configurations/          the texts; the SHA-256 of each file is its name (text "no" in the table: not at hand)
  units.csv, limits.csv    units of the tags, and alarms, interlocks, releases and outputs, key by key, out of them
  gaps.csv                 where the record does not follow on, and why; only its header when it is whole
  SHA256SUMS               checksums of all files above

HOW TO CHECK

1. Nothing was changed since the export: in this folder, "sha256sum --check SHA256SUMS" (GNU coreutils). Compare the
   SHA-256 of SHA256SUMS itself with the one that was noted at the export.

2. The journal is one chain. In journal.jsonl a line is
       {{"hash":"<64 hexadecimal digits>","entry":<text>}}
   The text is what was hashed, character for character: it starts at character 84 of the line and ends before the
   last brace. A line's hash is the SHA-256 of the hash before it (32 octets; 32 zero octets before the first line)
   followed by the text. In Python:

       import hashlib, json
       before, n = bytes(32), 0
       with open("journal.jsonl", encoding="utf-8") as journal:
           for line in journal:
               text = line.rstrip("\\n")[83:-1]
               before, n = hashlib.sha256(before + text.encode()).digest(), n + 1
               if json.loads(line)["hash"] != before.hex() or json.loads(text)["n"] != n:
                   raise SystemExit(f"line {{n}} is not what was written")
       print(n, before.hex())

   It must end with  {lines} {head}
   Where gaps.csv names missing journal lines, numbers jump there and a chain of its own begins.

3. The samples hang on the journal. A line of kind record_sealed, one a day, names samples first_n to last_n and their
   sha256. It is taken over one line for each of these samples in the order of n, with the columns
       n,tag,utc,value,quality,reason,run
   as in the CSV, unquoted, each line ended by a line feed.

4. A record that was rewritten as a whole passes 1 to 3. It does not pass a comparison with the hash of any line that
   left the site before: a record_sealed line that the receiver of the data has (journal_n, journal_sha256), or a note
   of an earlier check.
"""


def readme_text(*, site: str, source: str, lines: int, head: str) -> str:
    """The whole of it.

    Args:
        site: id of the site.
        source: where the export came from, in words.
        lines: of the journal.
        head: hash of the newest one, in hexadecimal.
    """
    return _TEXT.format(site=site, source=source, lines=lines, head=head)
