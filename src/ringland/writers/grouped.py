"""Formats that hold channels on different clocks and edge trains: HDF5, MDF, NumPy .npz."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from ringland.errors import SettingError
from ringland.model import Recording
from ringland.writers._layout import edge_rows, written_names

__all__ = ["write_hdf5", "write_mdf", "write_npz"]


def write_hdf5(recording: Recording, path: Path) -> None:
    """A dataset per channel with rate_hz, start_s, unit and full scale; a group per edge train with
    time_s and its levels; notes and the steps of the provenance (JSON) as attributes of the
    file."""
    import h5py

    names, edge_names = written_names(recording)
    with h5py.File(path, "w") as file:
        file.attrs["notes"] = "\n".join(recording.notes)
        file.attrs["provenance"] = json.dumps(
            [{"name": s.name, "settings": dict(s.settings)} for s in recording.provenance.steps]
        )
        for name, channel in zip(names, recording.channels, strict=True):
            dataset = file.create_dataset(name, data=channel.samples)
            dataset.attrs["rate_hz"] = channel.rate_hz
            dataset.attrs["start_s"] = channel.start_s
            dataset.attrs["unit"] = channel.unit
            if channel.full_scale is not None:
                dataset.attrs["full_scale_low"], dataset.attrs["full_scale_high"] = (
                    channel.full_scale
                )
        for name, train in zip(edge_names, recording.edges, strict=True):
            times, levels = edge_rows(train)
            group = file.create_group(f"{name}_edges")
            group.create_dataset("time_s", data=times)
            group.create_dataset(name, data=levels)


def write_mdf(recording: Recording, path: Path) -> None:
    """MDF 4.10: a channel group per clock, one per edge train."""
    from asammdf import MDF, Signal

    names, edge_names = written_names(recording)
    clocks: dict[tuple[float, float, int], list[int]] = {}
    for i, channel in enumerate(recording.channels):
        clocks.setdefault((channel.rate_hz, channel.start_s, len(channel.samples)), []).append(i)
    with MDF(version="4.10") as mdf:
        mdf.header.comment = "\n".join(recording.notes)
        for (rate_hz, start_s, count), members in clocks.items():
            times = start_s + np.arange(count) / rate_hz
            mdf.append(
                [
                    Signal(
                        samples=recording.channels[i].samples,
                        timestamps=times,
                        name=names[i],
                        unit=recording.channels[i].unit,
                    )
                    for i in members
                ]
            )
        for name, train in zip(edge_names, recording.edges, strict=True):
            times, levels = edge_rows(train)
            mdf.append([Signal(samples=levels, timestamps=times, name=name)])
        mdf.save(path, overwrite=True)


def write_npz(recording: Recording, path: Path) -> None:
    """Arrays by channel name, "<name>_unit", one rate_hz and start_s, "<name>_edges/..." for edge
    trains. SettingError when channels differ in rate or start."""
    names, edge_names = written_names(recording)
    clocks = {(c.rate_hz, c.start_s) for c in recording.channels}
    if len(clocks) > 1:
        raise SettingError(
            "A NumPy file has one sample rate for all channels.",
            got=f"{len(clocks)} different clocks",
            allowed="channels of one rate and start",
            remedy="Write HDF5 (.h5) or MDF (.mf4) instead.",
        )
    arrays: dict[str, Any] = {"notes": np.array("\n".join(recording.notes))}
    for rate_hz, start_s in clocks:
        arrays |= {"rate_hz": np.array(rate_hz), "start_s": np.array(start_s)}
    for name, channel in zip(names, recording.channels, strict=True):
        arrays |= {name: channel.samples, f"{name}_unit": np.array(channel.unit)}
    for name, train in zip(edge_names, recording.edges, strict=True):
        times, levels = edge_rows(train)
        arrays |= {f"{name}_edges/time_s": times, f"{name}_edges/{name}": levels}
    np.savez(path, allow_pickle=False, **arrays)
