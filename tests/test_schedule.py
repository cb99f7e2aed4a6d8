from datetime import UTC, datetime
from threading import Event

import structlog

from service import schedule
from service.schedule import Job, running, told

FAR_AWAY = datetime(2100, 1, 1, tzinfo=UTC)
SOON_S = 20  # how long a test waits for what happens within milliseconds


class TestRunning:
    def test_runs_what_it_is_handed_again_and_again(self):
        twice, runs = Event(), []

        def work():
            runs.append(1)
            if len(runs) == 2:
                twice.set()

        with running([Job("count", 0.01, work)]):
            assert twice.wait(SOON_S)

    def test_keeps_a_job_that_raises(self):
        again, runs = Event(), []

        def work():
            runs.append(1)
            if len(runs) == 2:
                again.set()
            raise RuntimeError("no luck")

        with structlog.testing.capture_logs(), running([Job("unlucky", 0.01, work)]):
            assert again.wait(SOON_S)

    def test_goes_on_with_other_jobs_while_one_takes_its_time(self):
        other, release = Event(), Event()

        with running([Job("slow", 0.01, lambda: release.wait(SOON_S)), Job("quick", 0.01, other.set)]):
            went_on = other.wait(SOON_S)
            release.set()

        assert went_on

    def test_never_runs_a_job_twice_at_a_time(self):
        inside, overlaps, twice, runs = [], [], Event(), []

        def work():
            inside.append(1)
            overlaps.append(len(inside) > 1)
            runs.append(1)
            if len(runs) == 3:
                twice.set()
            inside.pop()

        with running([Job("alone", 0.001, work)]):
            assert twice.wait(SOON_S)
        assert not any(overlaps)

    def test_goes_on_when_the_clock_was_set(self, monkeypatch):
        monkeypatch.setattr(schedule, "LOOK_EVERY_S", 0.01)
        offsets, again = [0.0], Event()

        with running([Job("anything", 0.05, again.set)], lambda: offsets[0]) as scheduler:
            scheduler.modify_job("anything", next_run_time=FAR_AWAY)  # as one finds it after the clock was set back
            offsets[0] -= 3600
            assert again.wait(SOON_S)

    def test_leaves_a_clock_that_is_only_corrected_alone(self, monkeypatch):
        monkeypatch.setattr(schedule, "LOOK_EVERY_S", 0.01)
        asked = Event()

        def offset_s():
            asked.count += 0.5
            if asked.count > 10:
                asked.set()
            return asked.count

        asked.count = 0.0
        with structlog.testing.capture_logs() as said, running([Job("anything", 3600, print)], offset_s):
            assert asked.wait(SOON_S)
        assert said == []

    def test_makes_up_for_missed_runs_by_one_even_when_minutes_late(self):
        with running([Job("anything", 3600, lambda: None)]) as scheduler:
            [job] = scheduler.get_jobs()

        assert (job.coalesce, job.max_instances, job.misfire_grace_time) == (True, 1, 300)

    def test_waits_at_its_end_for_a_run_that_has_begun(self):
        begun, release, ended = Event(), Event(), []

        def work():
            begun.set()
            release.wait(SOON_S)
            ended.append(1)

        with running([Job("long", 0.01, work)]):
            assert begun.wait(SOON_S)
            release.set()
        assert ended


class TestTold:
    def test_logs_a_failure_with_the_name_of_the_job(self):
        def work():
            raise RuntimeError("no luck")

        with structlog.testing.capture_logs() as lines:
            told(Job("unlucky", 1, work))()

        assert [(line["job"], line["log_level"]) for line in lines] == [("unlucky", "error")]
