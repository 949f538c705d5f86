"""A folder taken in and analysed: once, resumable, the same bytes wherever it runs."""

import hashlib
import json
from pathlib import Path

import numpy as np
import psutil  # type: ignore[import-untyped]
import pytest

from ringland.errors import BadInput, SettingError
from ringland.history import (
    AnalysisRow,
    Store,
    document_of,
    list_analyses,
    list_engines,
    list_recordings,
    list_vehicles,
    list_visits,
    open_store,
)
from ringland.history.intake import find_recordings, import_folder, job_for, reanalyse
from ringland.history.jobs import Done, Job, run_job, run_jobs
from ringland.history.safety import verify
from ringland.history.visit_file import read_visit_file

ENGINE = 'name = "Four in line"\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\nfuel = "diesel"\n'


def write_pulses(path: Path, seed: int) -> None:
    """Two seconds of a pulse per firing at 800 rpm with a trigger, not two alike."""
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 2.0, 1e-3)
    phase = 800.0 / 120.0 * time * 4.0
    exhaust = np.cos(2 * np.pi * phase) + 0.05 * rng.standard_normal(len(time))
    trigger = ((phase / 4.0) % 1.0 < 0.05) * 5.0
    table = np.column_stack([time, exhaust, trigger])
    np.savetxt(path, table, "%.5g", ",", header="time,exhaust,ignition", comments="")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two vehicles with two visits each, a file that is no recording, and one left alone."""
    root = tmp_path_factory.mktemp("recordings")
    for number, vehicle in enumerate(("bus-12", "van-21")):
        (root / vehicle).mkdir()
        (root / vehicle / "engine.toml").write_text(ENGINE)
        for turn, purpose in enumerate(("baseline", "fault-finding")):
            visit = root / vehicle / purpose
            visit.mkdir()
            write_pulses(visit / "recording.csv", 10 * number + turn)
            said = {"date": f"2026-0{turn + 1}-09", "purpose": purpose, "odometer_km": 1000 + turn,
                    "operator": "Marrow Valley Transit", "condition": "idle"}  # fmt: skip
            (visit / "visit.json").write_text(json.dumps(said))
    (root / "van-21" / "broken.csv").write_text("this is no recording\n")
    (root / "README.txt").write_text("About these recordings.\n\nThey are made up.\n")
    (root / ".hidden.csv").write_text("nor is this\n")
    return root


def documents(store: Store) -> dict[str, str]:
    """SHA-256 of the document of every analysis, by recording."""
    return {row.recording_id: row.sha256 for row in list_analyses(store)}


def test_a_folder_is_taken_in_once(folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        done = import_folder(store, folder, workers=1)
        assert (done.found, done.new, done.analysed, len(done.failed)) == (5, 4, 4, 1)
        assert done.failed[0][0].endswith("broken.csv")
        assert [v.name for v in list_vehicles(store)] == ["bus-12", "van-21"]
        visits = list_visits(store)
        assert {v.purpose for v in visits} >= {"baseline", "fault-finding"}
        assert {v.odometer_km for v in visits} >= {1000.0, 1001.0}
        assert len(list_engines(store)) == 2
        row: AnalysisRow = list_analyses(store)[0]
        assert document_of(store, row)["recording"]["name"] == "recording.csv"
        assert verify(store).problems == ()
        again = import_folder(store, folder, workers=1)
        assert (again.new, again.known, again.analysed, again.unchanged) == (0, 4, 0, 4)
        assert len(list_visits(store)) == len(visits)
        (folder / "bus-12" / "copy.csv").write_bytes(
            (folder / "bus-12" / "baseline" / "recording.csv").read_bytes()
        )
        copied = import_folder(store, folder, workers=1)
        (folder / "bus-12" / "copy.csv").unlink()
        assert (copied.found, copied.new) == (6, 0), "a copy under another name is known"


def test_reanalysis_gives_the_same_bytes_in_processes(folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        import_folder(store, folder, workers=1)
        serial = documents(store)
        assert reanalyse(store, workers=1).unchanged == 4
        assert reanalyse(store, workers=2, again=True).analysed == 4
        assert documents(store) == serial
        assert len(list_analyses(store)) == 4


def test_reanalysis_on_a_cluster_gives_the_same_bytes(folder: Path, tmp_path: Path) -> None:
    from distributed import LocalCluster

    with open_store(tmp_path / "store") as store:
        import_folder(store, folder, workers=1)
        serial = documents(store)
        with LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
            silence_logs=50,
        ) as cluster:  # fmt: skip
            address = cluster.scheduler_address
            done = reanalyse(store, scheduler=address, again=True)
            assert done.analysed == 4 and done.failed == []
            assert documents(store) == serial
            results: list[Done] = []
            for one in run_jobs(iter(kept_jobs(store, 5)), scheduler=address):
                results.append(one)
                if len(results) == 1:
                    psutil.Process(cluster.workers[0].process.pid).kill()
        assert len(results) == 20
        digests = {j.job.recording_id: hashlib.sha256((j.text or "").encode()) for j in results}
        assert {i: digest.hexdigest() for i, digest in digests.items()} == serial


def test_stopped_in_the_middle_it_goes_on(folder: Path, tmp_path: Path) -> None:
    class Stopped(BaseException):
        pass

    def stop(word: str, done: int, total: int) -> None:
        raise Stopped

    with open_store(tmp_path / "store") as store:
        with pytest.raises(Stopped):
            import_folder(store, folder, workers=1, progress=stop)
        assert verify(store).problems == ()
        import_folder(store, folder, workers=1)
        assert len(documents(store)) == 4 == len(list_recordings(store))


def kept_jobs(store: Store, times: int) -> list[Job]:
    """The jobs of the kept recordings that can be judged, several times over."""
    jobs = [job_for(store, row) for row in list_recordings(store)]
    return [j for j in jobs if j is not None] * times


def test_a_killed_process_costs_a_new_try_and_no_result(folder: Path, tmp_path: Path) -> None:
    with open_store(tmp_path / "store") as store:
        import_folder(store, folder, workers=1)
        expected = {j.sha256: run_job(j).text for j in kept_jobs(store, 1)}
        killed = 0
        results: list[Done] = []
        for done in run_jobs(iter(kept_jobs(store, 5)), workers=2):
            results.append(done)
            if not killed:
                workers = [
                    child
                    for child in psutil.Process().children()
                    if any("spawn_main" in word for word in child.cmdline())
                ]
                workers[0].kill()
                killed = 1
    assert len(results) == 20
    assert all(done.text == expected[done.job.sha256] for done in results)


def test_what_cannot_be_done_is_said(store: Store, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no such folder"):
        import_folder(store, tmp_path / "none")
    with pytest.raises(SettingError, match="Dask scheduler cannot be used"):
        list(run_jobs(iter(()), scheduler="tcp://127.0.0.1:1"))
    assert list(find_recordings(tmp_path / "none")) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{}", "date"),
        ('{"date": "9.3.2026"}', "date"),
        ('{"date": "2026-03-09", "odometer_km": -1}', "odometer_km"),
        ('{"date": "2026-03-09", "purpose": "fun"}', "fun"),
        ("[" * 100_000, "recursion"),
        ("{", "Expecting"),
    ],
)
def test_a_wrong_visit_file_is_said(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "visit.json"
    path.write_text(text)
    with pytest.raises(BadInput, match=said):
        read_visit_file(path)
