"""Before the shoot: how many frames a group needs, which settings keep it sharp, how wide to frame.

Arithmetic only: numbers and words in, numbers and words out. `make_plan` is the whole of it; the parts are
`chances` (frames), `rates` (how often a person is good), `optics`, `light` and `framing`.
"""

from facemerge.plan.chances import Forecast, chance_covered, chance_one_frame
from facemerge.plan.optics import Setting
from facemerge.plan.quantities import clock, metric
from facemerge.plan.settings_sheet import Picture
from facemerge.plan.whole import Framing, Group, Plan, Scene, make_plan

__all__ = [
    "Forecast",
    "Framing",
    "Group",
    "Picture",
    "Plan",
    "Scene",
    "Setting",
    "chance_covered",
    "chance_one_frame",
    "clock",
    "make_plan",
    "metric",
]
