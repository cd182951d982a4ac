"""HDF5 variables as netCDF-4 has them: a scale for every dimension, a unit and a long name for every variable."""

import numpy as np


def scale(file, name: str, values, units: str, long_name: str):
    """A dimension scale in the root: the coordinate variable that names a dimension."""
    variable = array(file, name, values, (), units, long_name)
    variable.make_scale(name)
    return variable


def array(group, name: str, values, scales: tuple, units: str, long_name: str):
    """An array variable, compressed and, but for words, with a checksum; its dimensions attached to scales."""
    import h5py

    dtype = None
    if not isinstance(values, np.ndarray) or values.dtype == object:
        values, dtype = np.array(values, object), h5py.string_dtype()
    variable = group.create_dataset(
        name, data=values, dtype=dtype, compression="gzip", shuffle=True, fletcher32=dtype is None, track_times=False
    )
    for axis, along in enumerate(scales):
        variable.dims[axis].attach_scale(along)
    variable.attrs.update(units=units, long_name=long_name)
    return variable


def number(group, name: str, value: float | int, units: str, long_name: str):
    """A single number with its unit; an empty unit is stored as netCDF's "1" and remembered."""
    variable = group.create_dataset(name, data=value, track_times=False)
    variable.attrs.update(units=units or "1", long_name=long_name)
    if not units:
        variable.attrs["unit_text"] = units
    return variable
