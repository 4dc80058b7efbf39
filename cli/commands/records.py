"""Commands about what was done: find it, take it away as a table, back it up and put it back."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption


class Table(StrEnum):
    """What can be given out whole."""

    JOBS = "jobs"
    LOTS = "lots"
    CHIPS = "chips"
    SETS = "sets"
    EXPOSURES = "exposures"


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("records")(handled(records))
    app.command("backup")(handled(backup))
    app.command("restore")(handled(restore))


def records(
    text: Annotated[str | None, typer.Argument(metavar="[WORDS]", help="Words to find anywhere.")] = None,
    part: Annotated[str | None, typer.Option("--part", help="Part, or a piece of its name.")] = None,
    lot: Annotated[str | None, typer.Option("--lot", help="Lot.")] = None,
    chip: Annotated[str | None, typer.Option("--chip", help="Number of the chip.")] = None,
    label: Annotated[str | None, typer.Option("--label", help='What a label says: "U10", "set 3".')] = None,
    digest: Annotated[str | None, typer.Option("--sha256", help="First digits of the SHA-256.")] = None,
    checksum: Annotated[str | None, typer.Option("--checksum", help="CRC-32 or 16-bit sum, hex.")] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DAY", help="From 2026-11-25 on.")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DAY", help="Up to that day.")] = None,
    code: Annotated[str | None, typer.Option("--result", metavar="CODE", help="Such as not-blank.")] = None,
    all_benches: Annotated[bool, typer.Option("--all-benches", help="Of every bench here.")] = False,
    limit: Annotated[int, typer.Option("--limit", min=1, max=500, help="How many at most.")] = 50,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="FILE", help="Save all as a table: .csv or .json.")
    ] = None,
    table: Annotated[Table, typer.Option("--table", help="With --save: which table.")] = Table.JOBS,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite a file that exists.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Find what was done, newest first; all that is given must fit.

    Example: romwright records --checksum C8B5E698
    """
    from cli.out import Out, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    search = {
        "text": text,
        "part": part,
        "lot": lot,
        "chip": chip,
        "label": label,
        "digest": digest,
        "checksum": checksum,
        "since": since,
        "until": until,
        "code": code,
        "all_benches": all_benches or None,
    }
    with connect(Reach(config), out) as client:
        if save is not None:
            _save_table(client, out, save.expanduser(), table, search, replace=replace)
            return
        found = client.get("/v1/records", **search, limit=limit)
    out.document(found)
    out.table(
        ("Job", "Day", "Kind", "Part", "Image", "CRC-32", "Where", "Result"),
        [
            (
                each["number"],
                when_words(each["created_at"]),
                each["kind"],
                each["part_id"] or "",
                each["image_name"] or "",
                each["crc32"] or "",
                _where(each),
                each["summary"] or each["state"],
            )
            for each in found["records"]
        ],
    )
    if found["next_before"]:
        out.say(f"There are more: --limit, up to 500, or --save FILE for all. These are the newest {limit}.")


def _where(record: dict[str, Any]) -> str:
    """Return what says which chip it was: its number, its lot, its place on a board."""
    place = f"{record['position']}, set {record['set_number']}" if record["position"] else ""
    return "; ".join(filter(None, (record["chip"], record["lot"], place)))


def _save_table(
    client: Any, out: Any, path: Path, table: Table, search: dict[str, Any], *, replace: bool
) -> None:
    from cli import image_files
    from cli.exit_codes import Exit
    from cli.failure import Failure

    form = path.suffix.lower().removeprefix(".")
    if form not in ("csv", "json"):
        raise Failure(Exit.USAGE, f"{path} is neither .csv nor .json", "Name a file such as jobs.csv.")
    content = client.download("/v1/records/table", **search, table=table.value, form=form)
    image_files.save(path, content, replace=replace)
    out.say(f"Saved {path}.")
    out.document({"file": str(path), "bytes": len(content)})


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to save it, such as bench.zip.")],
    check: Annotated[bool, typer.Option("--check", help="Look through one that exists instead.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite a file that exists.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Back up all that the bench knows into one checked file.

    That is records, images, and your own boards, parts and adapters.

    Example: romwright backup bench-2026-11-25.zip
    """
    from cli import image_files
    from cli.out import Out
    from cli.reach import Reach, connect

    out, path = Out(json=as_json), file.expanduser()
    if not check:
        image_files.refuse_existing(path, replace=replace)
        with connect(Reach(config), out) as client:
            image_files.save(path, client.download("/v1/backup"), replace=replace)
    manifest = _checked(path)
    images = sum(name.startswith("images/") for name in manifest.entries)
    out.say(f"{path}: whole and as it was made on {manifest.made_at[:10]}.")
    out.say(f"{manifest.rows.get('jobs', 0)} jobs, {images} images, {len(manifest.entries)} entries in all.")
    for digest in manifest.missing:
        out.say(f"  image {digest[:16]} was lost before it was made", "yellow")
    out.document({"file": str(path), **manifest.to_json()})


def _checked(path: Path) -> Any:
    from contextlib import closing

    from daemon.records.archive import Archive

    with closing(Archive(path)) as archive:
        archive.check()
        return archive.manifest


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A backup.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a backup back; no daemon may run. The database of before is moved aside, never deleted.

    Example: romwright stop, then: romwright restore bench-2026-11-25.zip
    """
    from cli.out import Out
    from daemon.records.restore import restore as put_back
    from daemon.settings import Settings

    out, path = Out(json=as_json), file.expanduser()
    manifest = _checked(path)
    settings = Settings.load({"config": config}).settings
    out.note(f"{path}: {manifest.rows.get('jobs', 0)} jobs, made {manifest.made_at[:10]}.", "")
    if not yes and not typer.confirm(f"Put it into {settings.state_dir}?", err=True):
        raise typer.Exit(1)
    done = put_back(path, settings)
    out.say(f"Put back into {settings.state_dir}.")
    if done.moved_aside:
        out.say(f"The database of before is {done.moved_aside}.")
    for kept in done.kept_files:
        out.say(f"  {kept} differs from the backup's and was left as it is", "yellow")
    out.document(
        {
            "moved_aside": str(done.moved_aside) if done.moved_aside else None,
            "kept_files": list(done.kept_files),
            "rows": done.manifest.rows,
        }
    )
