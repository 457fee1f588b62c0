"""How each planned disturbance acts on the samples, once the water's truth is known."""

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from tests.second_world.faults import BoolArray, Effects, Episode, gas_factor, slow_noise
from tests.second_world.tank import Device, FloatArray, Tank, between, log_uniform, pick
from tests.second_world.water import Water

NEVER_S = float("inf")


class Disturber:
    """Applies episodes to the effects of one scenario."""

    def __init__(self, rng: Generator, tank: Tank, water: Water, effects: Effects) -> None:
        self.rng = rng
        self.tank = tank
        self.water = water
        self.effects = effects
        self.noise = tank.probe.noise_psu
        self.seen_psu = max(0.05, 3.0 * self.noise)
        self._by_look: dict[str, Callable[[Episode], None]] = {
            "passing": self._passing,
            "lodged": self._lodged,
            "device": self._device,
            "neighbour": self._device,
            "drift": self._drift,
            "coefficient": self._coefficient,
            "plume-top-off": self._plume,
            "plume-doser": self._plume,
            "out": self._out,
            "half-dry": self._half_dry,
            "thermometer-out": self._thermometer_out,
            "stuck": self._stuck,
            "silent": self._silent,
            "thermometer-silent": self._silent,
            "invalid": self._invalid,
        }

    def apply(self, episode: Episode) -> None:
        """Act on the samples, and complete the label; real failures are only completed."""
        if episode.is_water:
            self._water_failure(episode)
        else:
            self._by_look[episode.look](episode)

    def _size(self, low: float, high: float) -> float:
        """A size that stands clear of the noise and the steps of the number."""
        floor = max(low, 7.0 * self.noise, 2.5 * self.tank.probe.step_psu)
        return log_uniform(self.rng, floor, max(high, 1.3 * floor))

    def _mark(self, episode: Episode, mask: BoolArray) -> None:
        self.effects.disturbed |= mask
        episode.spans = self.effects.spans_of(mask)

    def _deadline(self, episode: Episode, mask: BoolArray, count: int = 3) -> None:
        """At the third sample of those marked, with a breath for the message."""
        times = self.effects.at_s[mask]
        if len(times) >= count:
            at_s = float(times[count - 1]) + 0.5 * self.tank.probe.cadence_s
            episode.named_by_s = episode.held_from_s = at_s

    def _passing(self, episode: Episode) -> None:
        effects, rng = self.effects, self.rng
        inside = effects.within(episode.begin_s, episode.end_s)
        tied = self.tank.device("skimmer")
        if tied is not None and len(tied.switches_s) > 16 and rng.random() < 0.5:
            episode.details["with"] = tied.name
            inside &= tied.is_on(effects.at_s)
        if not inside.any():
            inside = effects.within(episode.begin_s, episode.end_s)
        size = self._size(0.25, 2.5)
        burst = slow_noise(rng, effects.at_s, log_uniform(rng, 10.0, 300.0))
        share = between(rng, 0.35, 0.9)
        inside &= burst > float(np.quantile(burst, 1.0 - share))
        gas = rng.gamma(1.5, size / 1.5, len(effects.at_s)) / 59.0
        factor = gas_factor(np.clip(gas, 0.0, 0.5))
        effects.factor[inside] *= factor[inside]
        dip = 39.4 * (1.0 - factor)
        self._mark(episode, inside & (dip > self.seen_psu))
        self._deadline(episode, inside & (dip >= 0.5))
        episode.size_psu = -size
        episode.details["share"] = f"{share:.0%}"
        if episode.spans:
            episode.begin_s = episode.spans[0][0]

    def _lodged(self, episode: Episode) -> None:
        effects, rng = self.effects, self.rng
        pump = self.tank.device("return-pump")
        if pump is not None and rng.random() < 0.4:
            starts = pump.switches_s[::2]
            starts = starts[(starts > episode.begin_s - 4e4) & (starts < episode.end_s - 7200.0)]
            if len(starts):
                shift = float(starts[-1]) + 30.0 - episode.begin_s
                if shift > 0.0:
                    episode.begin_s += shift
                    episode.details["after"] = "return pump start"
        inside = effects.within(episode.begin_s, episode.end_s)
        size = self._size(0.25, 3.0)
        wander = 1.0 + 0.03 * slow_noise(rng, effects.at_s, 3600.0)
        effects.offset_psu[inside] -= size * wander[inside]
        self._mark(episode, inside)
        if size >= 0.5:
            self._deadline(episode, inside)
        episode.size_psu = -size
        if not self.tank.told_level and not self.tank.told_devices and size < 0.5:
            episode.details["note"] = "few inputs"

    def _find(self, name: str) -> Device:
        everything = (*self.tank.devices, self.water.top_off, self.water.heater)
        return next(each for each in everything if each.name == name)

    def _device(self, episode: Episode) -> None:
        effects, rng = self.effects, self.rng
        device = self._find(episode.details["device"])
        switches = device.switches_s
        toggles = switches[(switches >= episode.begin_s) & (switches <= episode.end_s)]
        if len(toggles) < 10 and device.kind not in {"light", "other-probe"}:
            device = self._find("filter")
            episode.details["device"] = device.name
            switches = device.switches_s
            toggles = switches[(switches >= episode.begin_s) & (switches <= episode.end_s)]
        if len(toggles) < 7:
            episode.untellable = f"it switches only {len(toggles)} times"
        running = effects.within(episode.begin_s, episode.end_s) & device.is_on(effects.at_s)
        if rng.random() < 0.75:
            size = self._size(0.15, 1.5) * (1.0 if rng.random() < 0.5 else -1.0)
            effects.offset_psu[running] += size
            episode.details["kind"] = "steps"
        else:
            size = max(0.1, between(rng, 5.0, 12.0) * self.noise)
            effects.offset_psu[running] += size * rng.standard_normal(int(running.sum()))
            episode.details["kind"] = "noise"
        self._mark(episode, running)
        episode.size_psu = size
        if episode.spans:
            episode.begin_s = episode.spans[0][0]
        later = toggles[toggles > episode.begin_s + 0.5]
        if len(later) >= 6:
            episode.named_by_s = float(later[5]) + 2.0 * self.tank.probe.cadence_s
            episode.held_from_s = episode.named_by_s
        mean_s = float(np.diff(toggles).mean()) if len(toggles) > 1 else 0.0
        episode.details["toggles"] = f"{len(toggles)} every {mean_s:.0f} s"
        if not self.tank.told_devices:
            episode.untellable = "the device is not configured"

    def _drift(self, episode: Episode) -> None:
        effects = self.effects
        weeks = np.clip(effects.at_s - episode.begin_s, 0.0, None) / (7 * 86400.0)
        effects.offset_psu += episode.size_psu * weeks
        self._mark(episode, abs(episode.size_psu * weeks) > self.seen_psu)
        if self.tank.told_level:
            episode.named_by_s = episode.begin_s + 14 * 86400.0 * 0.1 / abs(episode.size_psu)
            episode.named_by_s = max(episode.named_by_s, episode.begin_s + 7 * 86400.0)
            episode.held_from_s = episode.named_by_s

    def _coefficient(self, episode: Episode) -> None:
        self._mark(episode, np.ones(len(self.effects.at_s), dtype=bool))
        if abs(episode.size_psu) < 1.5 * self.noise:
            episode.untellable = "swing within the noise"

    def _plume(self, episode: Episode) -> None:
        effects, rng, water = self.effects, self.rng, self.water
        size = -self._size(0.25, 2.5)
        if episode.look == "plume-top-off":
            filled, device = water.plume, water.top_off
        else:
            device = self._find("drops")
            filled = _chamber(water.grid_s, device.is_on(water.grid_s), between(rng, 120.0, 500.0))
            size *= 1.0 if rng.random() < 0.7 else -1.0
            episode.details["fluid"] = "fresh" if size < 0 else "salt"
        at_samples = np.interp(effects.at_s, water.grid_s, filled)
        inside = effects.within(episode.begin_s, episode.end_s)
        peak = float(np.quantile(at_samples[inside], 0.995)) if inside.any() else 0.0
        if peak < 0.01:
            episode.untellable = "nothing was added"
            return
        effects.offset_psu[inside] += size * at_samples[inside] / peak
        seen = inside & (abs(size) * at_samples / peak > self.seen_psu)
        self._mark(episode, seen)
        adding = device.switches_s[::2]
        adding = adding[(adding >= episode.begin_s) & (adding < episode.end_s)]
        episode.details["additions"] = str(len(adding))
        if episode.spans:
            episode.begin_s = episode.spans[0][0]
            if len(adding) >= 4:
                episode.named_by_s = float(adding[3])
            if abs(size) >= 0.5:
                strong = inside & (abs(size) * at_samples / peak > 0.5)
                times = effects.at_s[strong]
                if len(times) >= 3:
                    episode.held_from_s = float(times[2]) + 0.5 * self.tank.probe.cadence_s
        episode.size_psu = size
        if not self.tank.told_devices and not (
            self.tank.told_level and episode.look == "plume-top-off"
        ):
            episode.untellable = "no addition is reported"

    def _ramp(self, episode: Episode, lasting_s: float) -> FloatArray:
        """From 0 to 1 within a time at the begin, and back at the end, (n,)."""
        since = (self.effects.at_s - episode.begin_s) / lasting_s
        left = (episode.end_s - self.effects.at_s) / lasting_s
        ramp: FloatArray = np.clip(np.minimum(since, left), 0.0, 1.0)
        return ramp

    def _out(self, episode: Episode) -> None:
        effects, rng = self.effects, self.rng
        ramp = self._ramp(episode, max(2.0, 1.2 * self.tank.probe.cadence_s))
        rest = between(rng, 0.0, 0.03)
        effects.factor *= 1.0 - ramp * (1.0 - rest)
        if rng.random() < 0.5:
            self._warm_to_room(episode)
            episode.details["thermometer"] = "out as well"
        self._mark(episode, ramp > 0.0)
        self._deadline(episode, ramp > 0.03)
        episode.size_psu = -self.tank.salinity_psu * (1.0 - rest)

    def _half_dry(self, episode: Episode) -> None:
        effects, rng = self.effects, self.rng
        rest = between(rng, 0.3, 0.85)
        ramp = self._ramp(episode, between(rng, 1.0, 5.0) * self.tank.probe.cadence_s)
        flicker = slow_noise(rng, effects.at_s, log_uniform(rng, 20.0, 900.0))
        wet = np.clip(rest + 0.12 * flicker, 0.1, 0.95)
        effects.factor *= 1.0 - ramp * (1.0 - wet)
        self._mark(episode, ramp > 0.0)
        self._deadline(episode, 39.4 * ramp * (1.0 - wet) > 0.5)
        episode.size_psu = -39.4 * (1.0 - rest)
        if rest > 0.65:
            episode.untellable = "a large bubble on the electrodes looks the same"

    def _warm_to_room(self, episode: Episode) -> float:
        lasting_s = log_uniform(self.rng, 90.0, 400.0)
        self.effects.thermometer_out.append(
            (episode.begin_s, episode.end_s, self.tank.room_c, lasting_s)
        )
        return lasting_s

    def _thermometer_out(self, episode: Episode) -> None:
        lasting_s = self._warm_to_room(episode)
        away_c = self.tank.temperature_c + 0.5 * self.tank.swing_c - self.tank.room_c
        # 0.1 C is 0.077 in salinity (DOMAIN, section 2): half a unit is 0.65 C.
        slow_s = -lasting_s * float(np.log(1.0 - min(0.9, 0.65 / away_c)))
        self._mark(episode, self.effects.within(episode.begin_s, episode.end_s))
        cadence_s = max(self.tank.thermometer.cadence_s, self.tank.probe.cadence_s)
        at_s = episode.begin_s + slow_s + self.tank.thermometer.lag_s + 3.5 * cadence_s
        episode.named_by_s = episode.held_from_s = at_s
        episode.size_psu = 0.77 * away_c
        episode.details["away C"] = f"{-away_c:.1f}"

    def _stuck(self, episode: Episode) -> None:
        inside = self.effects.within(episode.begin_s, episode.end_s)
        self.effects.frozen |= inside
        self._mark(episode, inside)

    def _silent(self, episode: Episode) -> None:
        cadence_s = self.tank.probe.cadence_s
        if episode.look == "silent":
            inside = self.effects.within(episode.begin_s, episode.end_s)
            self.effects.missing |= inside
            if self.rng.random() < 0.5:
                self.effects.thermometer_missing.append((episode.begin_s, episode.end_s))
                episode.details["thermometer"] = "silent as well"
        else:
            self.effects.thermometer_missing.append((episode.begin_s, episode.end_s))
            cadence_s = max(cadence_s, self.tank.thermometer.cadence_s)
        episode.spans = [(episode.begin_s, episode.end_s)]
        self.effects.disturbed |= self.effects.within(episode.begin_s, episode.end_s)
        # Jitter of the last message before, and one step of the clock.
        episode.named_by_s = episode.begin_s + 3.2 * cadence_s + 2.0
        episode.held_from_s = episode.named_by_s

    def _invalid(self, episode: Episode) -> None:
        inside = self.effects.within(episode.begin_s, episode.end_s)
        self.effects.garbage |= inside
        self._mark(episode, inside)
        self._deadline(episode, inside)
        episode.details["payload"] = pick(self.rng, "nan", "empty", "error", "null", "cut")

    def _water_failure(self, episode: Episode) -> None:
        """Deadline when the water has moved 0.3, or after three samples if that takes longer.

        Where nothing but the probe can tell, it has to be the water at the probe; and what climbs
        slowly has to leave the usual saw-tooth first.
        """
        water, tank = self.water, self.tank
        from_s = episode.begin_s
        told = tank.told_level or tank.told_devices
        pumped = episode.look in {"pump-stuck", "siphon"}
        seen_psu = water.salinity_psu if told and pumped else water.at_probe_psu
        enough = 0.3
        if not pumped and not episode.look.endswith("change"):
            enough += tank.hysteresis_l / tank.volume_l * tank.salinity_psu
        before = float(np.interp(from_s, water.grid_s, seen_psu))
        later = (water.grid_s >= from_s) & (water.grid_s <= episode.end_s)
        times = water.grid_s[later & (abs(seen_psu - before) >= enough)]
        after = float(np.interp(episode.end_s, water.grid_s, water.salinity_psu))
        episode.size_psu = after - before
        if len(times):
            three_s = 3.5 * tank.probe.cadence_s
            at_s = max(float(times[0]), from_s + three_s)
            if not (told and pumped):
                at_s = float(times[0]) + three_s
            episode.named_by_s = episode.held_from_s = at_s
        quick = episode.look.endswith("change")
        if quick and not tank.told_level and episode.details["announced"] == "no":
            episode.untellable = "a quick step of the probe alone, and no level"
        if abs(episode.size_psu) < 0.3:
            episode.untellable = "moved less than 0.3"


def _chamber(grid_s: FloatArray, adding: BoolArray, empties_s: float) -> FloatArray:
    """How far a chamber is filled with what is added, 0 to 1, (n,)."""
    step_s = float(grid_s[1] - grid_s[0])
    filled, out = 0.0, np.zeros(len(grid_s))
    for index, adds in enumerate(adding.tolist()):
        lasting_s = 20.0 if adds else empties_s
        filled += ((1.0 if adds else 0.0) - filled) * min(1.0, step_s / lasting_s)
        out[index] = filled
    return out
