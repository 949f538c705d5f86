"""What was read from a vehicle, in lines that the command and the app show, with the cautions."""

from ringland.instruments.obd.readings import VehicleReadings, VehicleValue

__all__ = ["CAUTIONS", "lines_of"]

CAUTIONS = (
    "Reading only: no code is cleared and nothing is written to the vehicle.",
    "Brake on, wheels chocked, gearbox in neutral or park; run the engine outdoors or with extraction.",  # noqa: E501
    "Lay the cable where no pedal, belt or fan can catch it. Never read while driving alone.",
)


def lines_of(read: VehicleReadings) -> list[str]:
    """Everything that was read, and what was not with the reason."""
    out = ["", *(_value_line(v) for v in read.values)]
    if read.closed_loop is not None:
        out.append(f"Mixture: {read.fuel_system}")
    else:
        out.append(f"Mixture: not available: {read.fuel_system}")
    out.append("")
    if not read.misfires:
        out.append(f"Misfire counters: not available: {read.misfires_why}")
    for m in read.misfires:
        this = "not known" if m.this_cycle is None else str(m.this_cycle)
        ten = "not known" if m.ten_cycles is None else str(m.ten_cycles)
        why = f"; {m.why}" if m.why else ""
        out.append(
            f"Cylinder {m.cylinder}: {this} misfires in this or the last driving cycle, "
            f"{ten} on average of ten{why}"
        )
    if read.misfires:
        out.append("The numbers of the cylinders are the engine maker's.")
    out.append("")
    lamp = {True: "on", False: "off", None: "not available"}[read.lamp_on]
    out.append(f"Malfunction lamp asked for: {lamp}")
    for c in read.codes:
        meaning = f", {c.meaning}" if c.meaning else ""
        out.append(f"{c.code} {c.kind}{meaning} (controller {c.controller})")
    unread = dict(read.codes_not_read)
    if not read.codes and not unread:
        out.append("No codes: stored, pending or permanent.")
    out += [f"Codes {kind}: not available: {why}" for kind, why in unread.items()]
    return out


def _value_line(v: VehicleValue) -> str:
    if v.value is None:
        return f"{v.title}: not available: {v.why}"
    digits = 1 if v.step < 1.0 else 0
    unit = "" if v.unit == "1" else f" {v.unit}"
    spread = ""
    if v.count > 1 and v.lowest is not None and v.highest is not None:
        spread = f" ({v.lowest:.{digits}f} to {v.highest:.{digits}f} in {v.count} readings)"
    return f"{v.title}: {v.value:.{digits}f}{unit}{spread}, in steps of {v.step:.2g}"
