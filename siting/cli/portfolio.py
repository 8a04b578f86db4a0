"""The commands for many properties. Heavy imports stay inside them."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from siting.errors import SitingError

if TYPE_CHECKING:
    from siting.planning.model import Plan
    from siting.portfolio.run import Engine, Status, Tls, Watch


_INSTALL = 'the portfolio command needs more libraries: pip install "siting[portfolio]"'
#: Top modules of the extra.
_EXTRA = frozenset({"dask", "distributed", "filelock", "psutil", "pyarrow", "tomli_w"})


def _missing(error: ImportError) -> str:
    """Say what cannot be imported: a library to install, or something else."""
    name = (error.name or "").split(".")[0]
    if name in _EXTRA:
        return f"{_INSTALL} ({name} is missing)"
    return f"the portfolio command does not run on this system: {error}"


_FILE: Final = click.Path(path_type=Path, exists=True, dir_okay=False)
_TLS: Final = ("tls_ca", "tls_cert", "tls_key")
input_argument = click.argument("source", metavar="INPUT", type=click.Path(path_type=Path))
out_option = click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the results; it is made if need be. What a broken run left there is kept.",
)


def register_portfolio(main: click.Group) -> None:
    """Add the commands of this module."""
    main.add_command(portfolio)
    main.add_command(portfolio_extract)


def write_handoff(plan: Plan, folder: Path) -> None:
    """Write map, crew sheet and GIS files of one property; runs in the workers."""
    from siting.handoff.bundle import write_bundle

    write_bundle(plan, folder)


_SCHEDULER: Final = (
    click.option(
        "--scheduler",
        metavar="ADDRESS",
        envvar="SITING_SCHEDULER",
        show_envvar=True,
        help="A running dask scheduler, as tcp://host:8786, or tls://host:8786.",
    ),
    click.option(
        "--scheduler-file",
        type=_FILE,
        envvar="SITING_SCHEDULER_FILE",
        show_envvar=True,
        help="The file in which the scheduler writes its address, in place of --scheduler.",
    ),
    click.option(
        "--tls-ca",
        type=_FILE,
        envvar="SITING_TLS_CA",
        show_envvar=True,
        help="For tls://: the authority's certificate (PEM).",
    ),
    click.option(
        "--tls-cert",
        type=_FILE,
        envvar="SITING_TLS_CERT",
        show_envvar=True,
        help="For tls://: the certificate to show (PEM).",
    ),
    click.option(
        "--tls-key",
        type=_FILE,
        envvar="SITING_TLS_KEY",
        show_envvar=True,
        help="For tls://: its private key (PEM).",
    ),
)


def scheduler_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that name a running scheduler and how it is reached."""
    for option in reversed(_SCHEDULER):
        command = option(command)
    return command


@contextmanager
def parts_on_cluster(given: Mapping[str, Any]) -> Iterator[None]:
    """Let the parts of a plan be done by the scheduler that was named."""
    try:
        from siting.portfolio.run import ClusterEngine
    except ImportError as error:
        raise SitingError(_missing(error)) from None
    from siting.parts import helped_by

    address = _scheduler(given["scheduler"], given)
    with ClusterEngine(address, tls=_tls(given)) as engine:
        for warning in engine.warnings:
            click.echo(f"note: {warning}", err=True)
        cores = sum(engine.client.nthreads().values())
        with helped_by(engine.client.get_executor(pure=False), count=max(cores, 2)):
            yield


@click.command()
@input_argument
@out_option
@scheduler_options
@click.option(
    "--workers",
    type=click.IntRange(0, 1024),
    default=os.cpu_count() or 1,
    show_default="all cores",
    help="Processes on this machine; 0 plans in this process, without a guard against crashes.",
)
@click.option(
    "--handoff",
    default="none",
    metavar="none|all|where EXPR",
    show_default=True,
    help="Whose map, sheets and GIS files to write: EXPR compares columns of the table of "
    'properties, as in "where sensors >= 2 and value_of_second > 50".',
)
@click.option("--sample", type=click.IntRange(1), help="Plan only so many, and estimate the whole.")
@click.option("--core-hour-price", type=click.FloatRange(0), help="For the estimate of --sample.")
@click.option("--seconds", type=click.FloatRange(1), default=120, show_default=True,
              help="Longest time for one property.")  # fmt: skip
@click.option("--memory", "memory_mb", type=click.FloatRange(256), default=4096, show_default=True,
              help="Most memory for a property that is planned alone [MB].")  # fmt: skip
@click.option("--retry", is_flag=True, help="Plan again what crashed, hung or ran out of memory.")
def portfolio(
    source: Path,
    folder: Path,
    scheduler: str | None,
    workers: int,
    sample: int | None,
    **rest: Any,  # noqa: ANN401
) -> None:
    """Plan every property of INPUT: a template, a GeoPackage beside one, or a folder of properties.

    Writes Parquet tables (properties, sensors, zones, choices, seasons, faults), ranking.csv and
    portfolio.html. Run it again after any break: what is done is kept, the rest is planned.

    \f

    scheduler: address of a running dask scheduler, None starts workers on this machine; sample:
    properties to plan for an estimate, None plans all; **rest: the other options: ``handoff``
    (str), ``core_hour_price`` (float or None, [currency/h]), ``seconds`` (float, [s]),
    ``memory_mb`` (float, [MB]), ``retry`` (bool), ``scheduler_file``, ``tls_ca``, ``tls_cert`` and
    ``tls_key`` (Path or None).
    """
    try:
        from siting.portfolio.model import RunOptions
        from siting.portfolio.run import check_handoff
        from siting.portfolio.source import open_source
    except ImportError as error:
        raise SitingError(_missing(error)) from None
    scheduler, tls = _scheduler(scheduler, rest), _tls(rest)
    handoff = rest["handoff"].strip().removeprefix("where ").strip()
    check_handoff(handoff)
    opened = open_source(source)
    options = RunOptions(handoff, rest["seconds"], rest["memory_mb"], write_handoff)
    cores = workers or 1
    with _engine(scheduler, workers, folder, tls) as engine:
        if sample is not None:
            _sample(opened, folder, sample, engine, options, (cores, rest["core_hour_price"]))
            return
        _run(opened, folder, engine, options, rest["retry"])


def _scheduler(address: str | None, given: Mapping[str, Any]) -> str | None:
    """Return the scheduler's address, from its file where that is named; refuse half a TLS."""
    from siting.portfolio.run import address_in

    file = given["scheduler_file"]
    if address is not None and file is not None:
        msg = "give --scheduler or --scheduler-file, not both"
        raise click.UsageError(msg)
    found = address if file is None else address_in(file)
    named = [f"--{name.replace('_', '-')}" for name in _TLS if given[name] is not None]
    if named and len(named) < len(_TLS):
        msg = f"--tls-ca, --tls-cert and --tls-key belong together; given: {', '.join(named)}"
        raise click.UsageError(msg)
    if named and not (found or "").startswith("tls://"):
        msg = f"certificates are for a scheduler at tls://, not at {found or 'this machine'}"
        raise click.UsageError(msg)
    return found


def _tls(given: Mapping[str, Any]) -> Tls | None:
    """Return the certificates that were named, all or none."""
    from siting.portfolio.run import Tls

    return Tls(*(given[name] for name in _TLS)) if given["tls_ca"] is not None else None


@contextmanager
def _engine(scheduler: str | None, workers: int, folder: Path, tls: Tls | None) -> Iterator[Engine]:
    """Yield where to plan."""
    from siting.portfolio.run import ClusterEngine, LoopEngine

    if scheduler is None and workers == 0:
        yield LoopEngine()
        return
    with ClusterEngine(scheduler, workers=workers or 1, tls=tls) as engine:
        if scheduler is not None:
            folder.mkdir(parents=True, exist_ok=True)
            engine.check_folder(folder.absolute())
        for warning in engine.warnings:
            click.echo(f"note: {warning}", err=True)
        yield engine


def _run(source: Any, folder: Path, engine: Engine, options: Any, retry: bool) -> None:  # noqa: ANN401
    """Plan all, and write what the portfolio says as a whole."""
    from siting.portfolio.page import lead, totals, write_page, write_ranking
    from siting.portfolio.run import run_portfolio, timing
    from siting.portfolio.source import units_of
    from siting.portfolio.store import Store, read_table

    folder = folder.absolute()
    with _watch() as watch:
        status = run_portfolio(
            source, folder, engine=engine, options=options, watch=watch, retry=retry
        )
    if status.planned:
        Store(folder, status.key).remember("timing.json", timing(status))
    ranking = write_ranking(folder)
    units = units_of(source)
    page = write_page(folder, title=f"{source.path.stem}: sensors by property", units=units)
    click.echo(lead(totals(folder), units))
    for note in status.notes:
        click.echo(f"note: {note}")
    rows = read_table(folder, "faults").to_pylist()
    for row in rows[:10]:
        where = f" {row['layer']}" if row["layer"] else ""
        click.echo(f"fault: {row['property']} ({row['reason']}){where}: found {row['found']}")
    if len(rows) > 10:  # noqa: PLR2004
        click.echo(f"fault: {len(rows) - 10} more in the table of faults")
    if status.planned:
        click.echo(
            f"\n{status.planned:,} planned now in {status.seconds:,.0f} s, "
            f"{status.rate:.2f} properties a second; {status.done - status.planned:,} were done"
        )
    click.echo(f"map      {page}\nranking  {ranking}\ntables   {folder}/*/*.parquet")


def _sample(
    source: Any,  # noqa: ANN401
    folder: Path,
    count: int,
    engine: Engine,
    options: Any,  # noqa: ANN401
    terms: tuple[int, float | None],
) -> None:
    """Plan a few, and print what the whole takes."""
    from siting.portfolio.run import estimate

    cores, price = terms
    found = estimate(source, folder.absolute(), count, engine=engine, options=options)
    whole, low, high = (
        _span(3600 * found.hours(cores, seconds)) if math.isfinite(seconds) else "not known"
        for seconds in (found.seconds, found.seconds_low, found.seconds_high)
    )
    click.echo(
        f"{found.sampled} of {found.properties:,} properties planned, {found.faults} with faults: "
        f"{found.seconds:.2f} s each on one core ({found.seconds_low:.2f} to "
        f"{found.seconds_high:.2f} with 95 % confidence)"
    )
    click.echo(
        f"the whole: {whole} on {cores} cores ({low} to {high}), {found.hours(1):,.2f} core hours, "
        f"{found.properties * found.bytes_per_property / 1e6:,.1f} MB of tables, "
        f"{found.peak_mb:,.0f} MB of memory a worker"
    )
    if price is not None:
        click.echo(f"cost: {found.hours(1) * price:,.4g} at {price:g} a core hour")


@contextmanager
def _watch() -> Iterator[Watch | None]:
    """Yield what draws a bar on a terminal, and writes a line a minute elsewhere."""
    if not sys.stderr.isatty():
        yield _once_a_minute()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    text = TextColumn("{task.description}")
    with Progress(text, BarColumn(), console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Starting", total=None)

        def watch(status: Status) -> None:
            bar.update(
                task, description=_line(status), completed=status.done, total=status.total or 1
            )

        yield watch


def _once_a_minute(every: float = 60.0) -> Watch:
    """Return what writes a line to the error stream when the last is a minute old."""
    last = 0.0

    def watch(status: Status) -> None:
        nonlocal last
        if status.seconds - last >= every:
            last = status.seconds
            click.echo(_line(status), err=True)

    return watch


def _line(status: Status) -> str:
    """Return one line of progress."""
    left = "" if status.left_s is None else f", {_span(status.left_s)} left"
    memory = max((points[-1][1] for points in status.memory.values()), default=0.0)
    used = f", {memory:,.0f} MB a worker" if memory else ""
    faults = f", {status.faults} with faults" if status.faults else ""
    return f"{status.done:,} of {status.total:,}{faults}, {status.rate:.2f}/s{left}{used}"


def _span(seconds: float) -> str:
    """Return a length of time as hours and minutes."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {rest:02d} s"


@click.command(name="portfolio-extract")
@input_argument
@click.argument("property_id", metavar="ID")
@out_option
def portfolio_extract(source: Path, property_id: str, folder: Path) -> None:
    """Cut property ID out of INPUT into a folder of its own, ready for `siting plan`."""
    try:
        from siting.portfolio.source import cut_out
    except ImportError as error:
        raise SitingError(_missing(error)) from None
    click.echo(cut_out(source, property_id, folder))
