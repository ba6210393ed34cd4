"""A job: photos once, checks one after the other, kept and put away."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from identify import job as jobs
from identify import pipeline, records, report
from identify.errors import PhotoError, UsageError

ROOT = Path(__file__).parents[2]
PHOTO = ROOT / "data_synthetic" / "demo" / "bench.jpg"
BENCH = PHOTO.read_bytes()


@pytest.fixture(scope="module")
def job():
    return jobs.start([("bench.jpg", BENCH)])


def shares(job):
    return {row.id: row.probability for row in job.case.verdict.candidates}


def choice(job):
    return next(check for check in job.case.verdict.checks if check.answers)


def test_an_answer_ranks_anew_as_a_whole_new_run_would(job):
    check = choice(job)
    later = job.answered(check.id, check.answers[0])
    whole, _ = pipeline.identify_photo(BENCH, answers={check.id: check.answers[0]})
    assert shares(later) == {row.id: row.probability for row in whole.verdict.candidates}
    assert shares(later) != shares(job)
    assert later.case.measurements is job.case.measurements


def test_an_answer_taken_back_leaves_no_trace(job):
    check = choice(job)
    assert shares(job.answered(check.id, check.answers[0]).withdrawn(check.id)) == shares(job)


def test_nothing_as_large_as_the_photo_is_kept(job):
    assert job.case.recognition.labels is None
    assert job.case.outline is None
    assert job.picture[:3] == b"\xff\xd8\xff"


def test_a_wrong_answer_is_one_sentence(job):
    with pytest.raises(UsageError, match="none of"):
        job.answered(choice(job).id, "perhaps")


def test_a_bad_photo_beside_a_good_one_is_told(job):
    both = jobs.start([("broken.jpg", b"no photo"), ("bench.jpg", BENCH)])
    assert [each.file for each in both.failed] == ["broken.jpg"]
    assert shares(both) == shares(job)


@pytest.mark.parametrize(
    ("photos", "error"), [([], UsageError), ([("a.jpg", b"x")], PhotoError), ([("a.jpg", b"x")] * 9, UsageError)]
)
def test_nothing_to_start_with(photos, error):
    with pytest.raises(error):
        jobs.start(photos)


def test_a_job_is_kept_once_and_takes_its_answers(job, tmp_path):
    with records.open_records(f"sqlite:///{tmp_path}/records.db") as kept:
        first = job.kept(kept, [("bench.jpg", BENCH), ("broken.jpg", b"no photo")])
        check = choice(job)
        later = first.answered(check.id, check.answers[0]).kept(kept)
        assert later.case_id == first.case_id
        assert kept.count() == 1
        found = kept.get(first.case_id)
    assert found.answers == {check.id: check.answers[0]}
    assert found.overlay_jpeg is not None
    assert len(found.photos) == 1


def test_the_desk_puts_old_jobs_away(job):
    now = [0.0]
    desk = jobs.Desk(most=2, kept_s=10.0, clock=lambda: now[0])
    first = desk.lay(job)
    assert desk.take(first) is job
    desk.lay(job), desk.lay(job)
    with pytest.raises(UsageError, match="no longer open"):
        desk.take(first)
    second = desk.lay(job)
    now[0] = 11.0
    with pytest.raises(UsageError, match="no longer open"):
        desk.take(second)


def test_a_key_cannot_be_guessed(job):
    keys = {jobs.Desk().lay(job) for _ in range(20)}
    assert len(keys) == 20
    assert min(map(len, keys)) >= 24


@pytest.fixture(scope="module")
def benches():
    made = jobs.Benches(1)
    yield made
    made.close()


def test_a_bench_says_what_the_program_itself_says(benches, job):
    assert report.as_json(benches.start([("bench.jpg", BENCH)]).case) == report.as_json(job.case)
    assert report.as_json(benches.look(BENCH, name="bench.jpg")) == report.as_json(job.case)


def test_what_is_wrong_with_a_photo_crosses_over(benches):
    with pytest.raises(PhotoError, match="broken"):
        benches.start([("broken.jpg", b"no photo")])
    with pytest.raises(UsageError, match="no such"):
        benches.look(BENCH, scale="no such")


def test_a_bench_that_falls_is_set_up_again(benches):
    (process,) = benches._pool._processes.values()
    process.kill()
    process.join()
    with pytest.raises(PhotoError, match="send it again"):
        benches.look(BENCH)
    assert benches.look(BENCH).photos


def test_benches_end_with_a_killed_program(tmp_path):
    program = "import time; from identify.job import Benches; b = Benches(1); b.look(open({!r}, 'rb').read())\n"
    program += "print(next(iter(b._pool._processes)), flush=True); time.sleep(60)"
    script = tmp_path / "counter.py"
    script.write_text("if __name__ == '__main__':\n    " + program.format(str(PHOTO)).replace("\n", "\n    "))
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, text=True, cwd=ROOT) as running:
        bench = int(running.stdout.readline())
        running.kill()
    end = time.monotonic() + 10
    while time.monotonic() < end and runs(bench):
        time.sleep(0.1)
    assert not runs(bench)


def runs(process: int) -> bool:
    """Whether a process is there and not merely waiting to be counted out."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
