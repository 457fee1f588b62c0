"""The short story that the demonstration tells: invented data, the same every time.

Half a day of one small reef tank: a healthy morning with its saw-tooth of evaporation and
top-off, a burst of bubbles after the skimmer was cleaned, an ordinary top-off, a probe that hangs
dry for a while, and the recovery.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from bridge.core.settings import (
    Counting,
    LevelUnit,
    ProbeUnit,
    Reports,
    VolumeUnit,
)
from bridge.simulation.draft import EPOCH_S, Draft
from bridge.simulation.fault import Fault
from bridge.simulation.fault_probe import Exposed, PassingBubbles
from bridge.simulation.scenario import Recipe, Scenario, make
from bridge.simulation.traits import DeviceTraits, draw_traits

HOUR_S = 3600.0
START_H = 8.0
LENGTH_H = 12.0
BUBBLES_H = (14.0, 15.6)
EXPOSED_H = (18.2, 19.0)

SPEED: Final = 600.0
"""Seconds of the story told in one second: twelve hours in 72 seconds."""

SEED: Final = 4


@dataclass(frozen=True, slots=True)
class Chapter:
    """A stretch of the story, with what is going on in plain words."""

    start_s: float
    title: str
    text: str


@dataclass(slots=True, kw_only=True)
class Story:
    """The scenario, its chapters in order, and how fast it is told."""

    scenario: Scenario
    chapters: tuple[Chapter, ...]
    speed: float

    def chapter_at(self, at_s: float) -> Chapter:
        """The chapter that a time of the story belongs to."""
        return [c for c in self.chapters if c.start_s <= at_s or c is self.chapters[0]][-1]

    @property
    def seconds(self) -> float:
        """How long it takes to tell."""
        return (self.scenario.end_s - self.scenario.start_s) / self.speed


def tell(speed: float = SPEED) -> Story:
    """Make the story; always the same, whatever the speed."""
    rng = np.random.default_rng(SEED)
    day_s = EPOCH_S + 59 * 86400.0
    traits = draw_traits(rng, everything=True)
    traits.volume_l, traits.depth_m, traits.target_psu = 300.0, 0.5, 35.0
    traits.litres_per_mm, traits.drain_back_l = 0.12, 10.0
    traits.top_off_l_h, traits.top_off_band_mm, traits.top_off_daily = 40.0, 8.0, False
    traits.surface_factor, traits.light_evaporation, traits.humidity = 0.95, 1.4, 0.4
    traits.room_c, traits.room_swing_c, traits.set_point_c = 22.0, 1.0, 25.0
    traits.cooling_h, traits.heater_c_h, traits.light_c_h = 12.0, 0.8, 0.3
    traits.heater_band_c, traits.light_on_h, traits.light_hours = 0.3, 9.0, 9.0
    traits.mixing_s, traits.zone_share, traits.plume_share = 240.0, 0.02, 0.002
    traits.change_every_days = 0.0
    traits.interval_s, traits.jitter, traits.loss, traits.duplicates = 10.0, 0.02, 0.001, 0.0
    traits.thermometer_interval_s, traits.delay_s, traits.lag_s = 20.0, 0.05, 3.0
    traits.noise_psu, traits.reports, traits.unit = (
        0.01,
        Reports.CONDUCTIVITY_LINEAR,
        ProbeUnit.MS_CM,
    )
    traits.resolution, traits.reference_c = 0.01, 25.0
    # Calibrated well, but it ships with too steep a coefficient, which the settings state.
    traits.device_coefficient = traits.declared_coefficient = 2.15
    traits.gain_error, traits.thermometer_offset_c = 0.0, 0.0
    traits.json, traits.stamped, traits.own_thermometer = False, False, False
    traits.thermometer_noise_c, traits.thermometer_resolution_c = 0.01, 0.01
    traits.thermometer_unit, traits.thermometer_lag_s = "C", 20.0
    traits.level_unit, traits.level_noise_mm = LevelUnit.MM, 0.6
    traits.meter_unit, traits.meter_counting = VolumeUnit.ML, Counting.CUMULATIVE
    traits.second_probe, traits.tells_pump = False, True
    traits.tells_interval = traits.tells_resolution = True
    traits.devices = {
        name: DeviceTraits(kind=name, watts=None, words=("on", "off"), repeat_s=None, latency_s=0.2)
        for name in ("return-pump", "skimmer", "heater", "light", "top-off-pump")
    }

    def faults(draft: Draft) -> list[Fault]:
        draft.plan.first_level_mm = -2.1
        # No feeding pauses: one thing at a time.
        draft.states["return-pump"][:] = True
        skimmer = draft.states["skimmer"]
        skimmer[:] = True
        # The skimmer rests for cleaning and throws bubbles when it starts again.
        cleaning = draft.span(day_s + (BUBBLES_H[0] - 0.25) * HOUR_S, day_s + BUBBLES_H[0] * HOUR_S)
        skimmer[cleaning] = False
        return [
            PassingBubbles(
                start_s=day_s + BUBBLES_H[0] * HOUR_S,
                end_s=day_s + BUBBLES_H[1] * HOUR_S,
                dip_psu=1.2,
            ),
            Exposed(
                start_s=day_s + EXPOSED_H[0] * HOUR_S,
                end_s=day_s + EXPOSED_H[1] * HOUR_S,
                wetted=0.01,
                pump_stops=False,
            ),
        ]

    scenario = make(
        "story",
        SEED,
        Recipe(
            traits=traits,
            duration_s=LENGTH_H * HOUR_S,
            start_s=day_s + START_H * HOUR_S,
            faults=faults,
        ),
        rng,
    )
    chapters = (
        Chapter(
            day_s + START_H * HOUR_S,
            "A healthy morning",
            "Water evaporates, the top-off brings it back. The probe's own coefficient does not "
            "fit sea water; the correction undoes it.",
        ),
        Chapter(
            day_s + BUBBLES_H[0] * HOUR_S,
            "Bubbles",
            "The skimmer starts after cleaning. Bubbles cross the probe and it reads low. The "
            "water has not changed.",
        ),
        Chapter(
            day_s + BUBBLES_H[1] * HOUR_S,
            "An ordinary top-off",
            "The bubbles are gone. Fresh water goes in and the salinity falls a little. This "
            "change is real, and it is healthy.",
        ),
        Chapter(
            day_s + EXPOSED_H[0] * HOUR_S,
            "The probe hangs dry",
            "Somebody moved the probe. It reads next to nothing.",
        ),
        Chapter(
            day_s + EXPOSED_H[1] * HOUR_S,
            "Back in the water",
            "The probe is back and the reading is trusted again once it has settled.",
        ),
    )
    return Story(scenario=scenario, chapters=chapters, speed=speed)
