"""Between two frames: is everybody sharp, and if not, what to change."""

from __future__ import annotations

from facemerge.cli.app import app
from facemerge.cli.asked import Burst, ModelFolder, Set, Settings, options_from
from facemerge.cli.coverage import KeptBeside
from facemerge.cli.told import progress


@app.command(short_help="Say whether every row is sharp, and what to change if not.")
def focus(
    burst: Burst,
    out: KeptBeside = None,
    settings: Settings = None,
    set_: Set = [],  # noqa: B006
    models: ModelFolder = None,
) -> None:
    """Tell a missed focus from too little depth of field, camera shake and movement, and say what to change.

    The advice comes first: focus nearer or farther, stop down, or a faster shutter, each by how much, from
    the exposure that the camera has written into the files. Below it stand two tables, by row and by person:
    how many faces are sharp, a little soft, soft or moved, and their blur and streaks in pixels. Give it the
    frames of one group; one frame will do, several tell more.

    Rows are taken to stand evenly. The change of the f-number is right to about a third of a stop as long as
    they do.

    Example: facemerge focus tuesday/group-12

    Example: facemerge focus IMG_0412.JPG IMG_0413.JPG
    """
    options = options_from(settings, set_, [])
    from facemerge.models import Models
    from facemerge.pipeline import focusing

    for line in focusing.report(focusing.focused(burst, options, Models(models), progress(), out)):
        print(line)
