"""A study on a cluster that keeps account of its jobs: the account of the profile, states from sacct."""

from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from accounting import ACCOUNT, AccountedCluster
from one_node_slurm import PATIENCE, brought_up
from study_head import head_of_stub, write_profile, write_study

pytestmark = pytest.mark.solver


@pytest.fixture
def accounted() -> Iterator[AccountedCluster]:
    with brought_up(AccountedCluster) as made:
        yield made


def test_a_study_is_charged_to_the_account_of_its_profile(
    accounted: AccountedCluster, tmp_path: Path
) -> None:
    refused = accounted.ask("sbatch", "--account=nobody", "--wrap", "true")
    assert refused.returncode != 0
    profile = write_profile(tmp_path / "profile", ACCOUNT)
    study = write_study(tmp_path, "charged", "0.5 mm", "60, 70")
    head = head_of_stub(accounted, study, profile, {})
    process = head.start()
    try:
        _, errors = process.communicate(timeout=PATIENCE)
    finally:
        head.stop()
    assert process.returncode == 0, errors
    assert pd.read_csv(head.results / "coefficients.csv")["verdict"].tolist() == ["settled"] * 2
    jobs = pd.read_csv(head.results / "provenance.csv")["job"].astype(int).unique()
    charged = accounted.say("sacct", "-n", "-X", "-P", "-o", "jobid,account,state").splitlines()
    for job in jobs:
        assert f"{job}|{ACCOUNT}|COMPLETED" in charged
