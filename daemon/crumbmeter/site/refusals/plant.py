"""Refusals of streams, mixes and the feeder. Pure data."""

from crumbmeter.site.refusals.kind import Refusal

PLANT: dict[str, Refusal] = {
    "other-plant": Refusal(
        title="Key or table of the other kind of plant",
        meaning=(
            "A site describes a drum plant ([drum], [streams], [trim]) or a batch plant ([batch], [ingredients]), and "
            "some keys mean something at the one only."
        ),
        remedy="Take it out. If the plant is of the other kind, describe that kind.",
        example="[batch]\n[trim]                        # in one file",
    ),
    "charge-too-large": Refusal(
        title="A charge that cannot be dosed or blown in at once",
        meaning=(
            "The rubber of the largest batch of this mix does not fit the transfer vessel, or is more than the weigh "
            "hopper gives without a fill, or takes longer to blow in than the plant holds the dry mix."
        ),
        remedy="Check the dose, the batch size, and the figures of vessel, weigh hopper and window.",
        example="normal_mix_tonne = 5.0\nvessel_full_kg = 20.0          # with a dose of 1 %",
    ),
    "corrected-twice": Refusal(
        title="Water or temperature corrected twice",
        meaning=(
            "The signal is declared as already corrected, yet a correction is asked for on top. "
            "Correcting twice is the classic error of this trade: the dose is then wrong by some percent "
            "and everything looks right."
        ),
        remedy=(
            "Keep the declaration or the correction, whichever is true of this instrument; ask the plant's technician."
        ),
        example=('state = "dry"\nmoisture_percent = 4.0'),
    ),
    "not-for-kind": Refusal(
        title="Key that this kind of stream does not have",
        meaning="The key belongs to another kind of stream.",
        remedy="Take the key out, or correct `kind`.",
        example=('kind = "aggregate"\nbinder_percent = 5.0'),
    ),
    "binder-uncompensated": Refusal(
        title="Binder that is not metered by mass",
        meaning=(
            "Binder is taken by mass. A raw volume would have to be corrected to 60 °F (15 °C) first, and "
            "this release leaves that to the meter."
        ),
        remedy="Let the meter send mass, name that register, and set compensated = true.",
        example=('kind = "binder"\ncompensated = false'),
    ),
    "stream-missing": Refusal(
        title="A stream without which there is no mix",
        meaning="A mix needs an aggregate (or recycle) stream and a binder stream.",
        remedy="Add the stream.",
        example="[streams]                     # without a binder",
    ),
    "counted-twice": Refusal(
        title="One signal for two streams",
        meaning=("Two streams take their rate from the same signal, so the material would be counted twice."),
        remedy="Give each stream its own signal.",
        example='rate = "belt_flow"            # in two streams',
    ),
    "binder-none": Refusal(
        title="Rubber for aggregate without binder",
        meaning=(
            "total_binder_percent = 0 describes a dry cleaning run: aggregate alone scours the drum, and nothing may "
            "be added. Any other mix has 1 % of binder or more; less is an entry error. The limit is our own."
        ),
        remedy="Set the dose of a cleaning run to 0, or give the mix its binder in percent.",
        example="dose_percent = 0.5\ntotal_binder_percent = 0.0",
    ),
    "dose-absurd": Refusal(
        title="A dose that no mix has",
        meaning=(
            "The dose comes to more than 5 % of the mix. FHWA-RD-97-148 gives 1 to 3 % of the aggregate "
            "for the classic dry process; 20 % is a figure of the wet process, in percent of binder. The "
            "limit of 5 % is our own."
        ),
        remedy="Check the basis and the unit of the dose.",
        example=('dose_basis = "total_mix"\ndose_percent = 20.0'),
    ),
    "dose-unit": Refusal(
        title="Pounds per ton of something that is no mix",
        meaning="Pounds per short ton and kilograms per tonne are of mix, with or without the rubber.",
        remedy="Use dose_percent, or a basis of mix.",
        example=('dose_basis = "total_binder"\ndose_lb_per_short_ton = 10.0'),
    ),
    "recipe-twice": Refusal(
        title="One plant recipe for two mixes",
        meaning=("Two mixes bear the same number of the plant's own recipe, so the number cannot tell them apart."),
        remedy="Correct one of the numbers.",
        example="plant_recipe = 11             # in two mixes",
    ),
    "rate-unreachable": Refusal(
        title="A rate that the auger cannot reach",
        meaning=(
            "feeder.max_rate is more than the auger gives at its highest speed with the highest feed factor believed."
        ),
        remedy="Lower the rate, or correct speed or factor.",
        example=("max_speed_rpm = 60.0\nfeed_factor_high_kg_rev = 1.0\nmax_rate_kg_min = 90.0"),
    ),
    "dose-unreachable": Refusal(
        title="A mix whose dose the feeder does not reach",
        meaning="At the plant's normal rate this mix asks for more than the feeder's hard limit.",
        remedy="Check the dose, the normal flows of the streams, and the feeder's limits.",
        example=("dose_percent = 4.0\n[feeder]\nmax_rate_lb_min = 10.0"),
    ),
    "hopper-range": Refusal(
        title="Hopper content outside its signal's limits",
        meaning="The mass signal would be Bad before the hopper is empty or full.",
        remedy="Widen the signal's limits, or correct the hopper's content.",
        example=("[signals.hopper_mass]\nhigh = 250.0\n[feeder]\nfull_mass_lb = 300.0"),
    ),
    "speed-range": Refusal(
        title="Highest speed outside its signal's limits",
        meaning=(
            "The signal of the auger's speed would be Bad at the highest speed that may be asked for. The feed would "
            "stop there for want of an input, start again, and stop again."
        ),
        remedy="Widen the signal's limits, or lower the speed.",
        example="[signals.auger_speed]\nhigh = 60.0\n[feeder]\nmax_speed_rpm = 60.0",
    ),
}
