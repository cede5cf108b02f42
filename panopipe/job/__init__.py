"""A job folder: its rooms, its frames and the files they are made of. Reads names and small facts only.

JOB/originals/<room>/<frame>.dng    the frames; or the DNGs lie in JOB itself, flat or in room folders
JOB/job.toml                        facts of the shoot: title, rights, rooms, white reference
JOB/.panopipe/groups.json           which files a run recognised as one frame
JOB/recipe.toml, JOB/overrides/     settings, see `panopipe.recipe`
JOB/finished/<room>/<frame>.jpg     what a run makes
"""

from panopipe.job.finding import SYSTEM_FOLDERS
from panopipe.job.job_file import JOB_KEYS
from panopipe.job.model import (
    DELIVERY,
    EXPOSURES,
    FINISHED,
    JOB_FILE,
    KINDS,
    KINDS_IN_WORDS,
    LOGS,
    ORIGINALS,
    OVERRIDES,
    PROOFS,
    RECIPE_FILE,
    REVIEW,
    SET_ASIDE,
    TAKES,
    WORKING,
    FrameEntry,
    Group,
    Job,
    SourceFile,
)
from panopipe.job.names import in_the_way, inside, natural, nearest
from panopipe.job.opening import open_job

__all__ = [
    "DELIVERY",
    "EXPOSURES",
    "FINISHED",
    "JOB_FILE",
    "JOB_KEYS",
    "KINDS",
    "KINDS_IN_WORDS",
    "LOGS",
    "ORIGINALS",
    "OVERRIDES",
    "PROOFS",
    "RECIPE_FILE",
    "REVIEW",
    "SET_ASIDE",
    "SYSTEM_FOLDERS",
    "TAKES",
    "WORKING",
    "FrameEntry",
    "Group",
    "Job",
    "SourceFile",
    "in_the_way",
    "inside",
    "natural",
    "nearest",
    "open_job",
]
