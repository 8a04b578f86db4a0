"""A scheduler behind TLS: its address from a file, certificates named on the command line."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from click.testing import CliRunner
from distributed import LocalCluster
from distributed.security import Security

from siting.cli.main import main
from siting.portfolio.run import ClusterEngine, EngineError, Tls, address_in


@pytest.fixture
def certificates(tmp_path) -> Tls:
    """Return a certificate that signs itself, for the scheduler and for us."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("no openssl here to make certificates with")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", "/CN=scheduler", "-keyout", str(key), "-out",
         str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    return Tls(certificate, certificate, key)


def test_a_scheduler_behind_tls_is_joined_with_certificates_and_not_without(certificates):
    roles = [f"tls_{role}" for role in ("client", "scheduler", "worker")]
    every = {f"{role}_cert": str(certificates.certificate) for role in roles}
    every |= {f"{role}_key": str(certificates.key) for role in roles}
    security = Security(require_encryption=True, tls_ca_file=str(certificates.ca), **every)
    with (
        LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, protocol="tls://",
            security=security, dashboard_address=None,
        ) as cluster,
        ClusterEngine(cluster.scheduler_address, tls=certificates) as engine,
    ):  # fmt: skip
        assert cluster.scheduler_address.startswith("tls://")
        assert engine.client.submit(sum, [1, 2]).result(timeout=20) == 3
        with (
            pytest.raises(EngineError, match="no scheduler answers at tls://"),
            ClusterEngine(cluster.scheduler_address),
        ):
            pass


def test_the_address_is_read_from_the_schedulers_file(tmp_path):
    file = tmp_path / "scheduler.json"
    file.write_text('{"type": "Scheduler", "address": "tls://10.0.0.5:8786"}')
    assert address_in(file) == "tls://10.0.0.5:8786"
    for wrong in ("", "[]", '{"address": 3}', '{"address": "here"}'):
        file.write_text(wrong)
        with pytest.raises(EngineError, match="holds no scheduler's address"):
            address_in(file)
    with pytest.raises(EngineError, match="writes it when it starts"):
        address_in(tmp_path / "nowhere.json")


def test_half_a_set_of_certificates_and_two_addresses_are_refused(tmp_path):
    (tmp_path / "city.toml").write_text("")
    file = tmp_path / "f.pem"
    file.write_text('{"address": "tcp://h:1"}')
    start = ["portfolio", str(tmp_path / "city.toml"), "--out", str(tmp_path / "out")]
    asked = {
        "belong together": ["--scheduler", "tls://h:1", "--tls-ca", str(file)],
        "not both": ["--scheduler", "tcp://h:1", "--scheduler-file", str(file)],
        "not at tcp://h:1": ["--scheduler-file", str(file), "--tls-ca", str(file), "--tls-cert",
                             str(file), "--tls-key", str(file)],
    }  # fmt: skip
    for told, words in asked.items():
        done = CliRunner().invoke(main, [*start, *words])
        assert done.exit_code == 2
        assert told in " ".join(done.output.split())
