"""Portfolios of real ground: some plots of a real quarter, some yards of a real extract."""

import pytest

from siting.planning.make import plan_property
from siting.portfolio.run import (
    LoopEngine,
    estimate,
    run_key,
)
from siting.portfolio.source import (
    cut_out,
    index_of,
    open_source,
    spread,
)
from siting.portfolio.store import (
    Store,
    plan_rows,
    to_tables,
)
from tests.packages import needs
from tests.real_portfolio import plots_portfolio, yards_portfolio

pytestmark = [
    pytest.mark.real,
    needs("distributed", "momepy", "pyrosm", "vega_datasets", "pcse"),
]

#: Coarser than a run would be, so that the tests take seconds.
COARSE = {"resolution": 1.0, "scenarios": 2}


@pytest.mark.parametrize(
    ("build", "properties"), [(plots_portfolio, 407), (yards_portfolio, 1484)],
    ids=["plots", "yards"],
)  # fmt: skip
def test_real_ground(tmp_path, build, properties):
    template = build(tmp_path, **COARSE)
    source = open_source(template)
    index = index_of(source)
    assert len(index.ids) == properties
    out = tmp_path / "out"
    found = estimate(source, out, 6, engine=LoopEngine())
    assert found.properties == properties
    store = Store(out, run_key(source))
    picked = [tile.ids[0] for tile in spread(index, 6)]
    parts = {name: store.read_part(name) for name in picked}
    planned = [n for n in picked if parts[n]["properties"]["status"][0].as_py() == "planned"]
    assert len(planned) >= 4
    for name in picked:
        faults = parts[name]["faults"].to_pylist()
        assert (name in planned) == (not faults)
        assert {fault["reason"] for fault in faults} <= {"input", "plan"}, faults
    alone = plan_property(cut_out(template, planned[0], tmp_path / "alone"))
    mine = to_tables(plan_rows(planned[0], alone))
    for table, rows in mine.items():
        assert rows.equals(parts[planned[0]][table]), table
    if build is yards_portfolio:
        assert any("height" in note for note in alone.warnings)
