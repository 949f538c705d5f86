"""What was kept but not judged when the program ended is judged when it starts again."""

from ringland.history import list_analyses, list_recordings, list_visits
from ringland.web.context import Context
from ringland.web.jobs import Job
from ringland.web.judgement import engine_of_visit, judge

__all__ = ["judge_what_was_left"]

NEWEST_VISITS = 20
"""How far back: older recordings without a judgement were left so on purpose."""


def judge_what_was_left(app: Context) -> list[Job]:
    """Put the recordings of the newest visits that have no judgement at all in the queue."""
    jobs = []
    for visit in list_visits(app.store, limit=NEWEST_VISITS):
        for row in list_recordings(app.store, visit_id=visit.id):
            known = list_analyses(app.store, recording_id=row.id, limit=1)
            if not known and engine_of_visit(app, visit.id) is not None:
                jobs.append(judge(app, row))
    return jobs
