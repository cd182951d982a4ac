"""What Python and a notebook get: a prediction that shows itself as text, HTML, columns, arrays and figures."""

import dataclasses
import io
import os
from collections.abc import Callable, Iterable
from pathlib import Path

from ...mill.config import since
from ...mill.config.mill import Config, load_config
from ...record.outputs import figure, output_of
from ...record.prediction import Prediction
from ...studies import advised
from ..parts import Paragraph
from ..words import advice, tables

_SHORT = ("throughput_kg_s", "x50_m", "gross_J_kg", "outlet_temperature_K")


class Result(Prediction):
    """A prediction as `record.prediction.Prediction`, and what a notebook asks of it."""

    @property
    def scalars(self) -> dict:
        """Every output by its key as a Scalar: value in SI, unit, standard error, band."""
        return self.main.scalars

    def __repr__(self) -> str:
        found = ((key, figure(self.main.scalars, key)) for key in (_SHORT if self.runs else ()))
        told = [f"{output_of(key).short} {f.text}" for key, f in found if f is not None]
        return f"<{', '.join([f'{self.mill_name}: {self.status}', *told])}>"

    def _repr_html_(self) -> str:
        from .html import fragment

        found = [tables.number_table(self, name) for name in tables.NUMBERS]
        found.append(tables.sieve_table(self) if self.runs else None)
        return fragment([Paragraph(advice.sentences(self)[0]), *(t for t in found if t is not None)])

    def table(self, name: str = "outputs") -> dict[str, list]:
        """Columns by name, as `pandas.DataFrame` takes them, in SI with NaN where nothing is known.

        name: "outputs" (a row for each), "sizes" (a row for each class bound), "parameters".
        """
        if name == "outputs":
            rows = [{"output": key, **dataclasses.asdict(s)} for key, s in self.main.scalars.items()]
        elif name == "sizes":
            t = self.main.table
            return {f.name: v.tolist() for f in dataclasses.fields(t) if len(v := getattr(t, f.name)) == len(t.edges_m)}
        elif name == "parameters":
            rows = [dataclasses.asdict(p) for p in self.parameters]
        else:
            raise ValueError(f'there is no table {name!r}: "outputs", "sizes" or "parameters"')
        return {column: [row[column] for row in rows] for column in rows[0]}

    def to_xarray(self):
        """The result file as an `xarray.DataTree`; needs xarray with h5netcdf."""
        import xarray

        from ...record.write import to_bytes

        return xarray.open_datatree(io.BytesIO(to_bytes(self)), engine="h5netcdf").load()

    def plot(self, name: str = "size_cumulative"):
        """A figure of the prediction as a matplotlib Figure; `figures` has the names."""
        from ..plots.prediction import figure as draw

        if name not in self.figures:
            raise ValueError(f"there is no figure {name!r} of this prediction: {', '.join(self.figures)}")
        return draw(self, name)

    @property
    def figures(self) -> list[str]:
        """Names of the figures that this prediction has data for."""
        from ..plots.prediction import names_for

        return names_for(self)

    def save(self, path: "Path | str", force: bool = False) -> None:
        """Keep it as a result file, as `millsim predict --out` does. Raises InputError where a file is in the way."""
        from ...record.write import write

        write(self, Path(path), force)


def predict(
    config: "Config | Path | str",
    engine: str | None = None,
    seed: int | None = None,
    command: str = "",
    progress: "Callable | None" = None,
    settings: Iterable[str] = (),
) -> Result:
    """Predict a mill, review it and try what would help, as the command does.

    config: a loaded config or the path of one; settings: changes of the file as for --set, "stator.gap=2 mm". engine:
    "balance", "montecarlo" or "both"; without engine or seed those of the config. Raises InputError for what is wrong
    with the file, NotConverged where no state is found.
    """
    changes = [settings] if isinstance(settings, str) else list(settings)
    origin = {}
    if isinstance(config, str | os.PathLike):
        origin, config = since.kept(Path(config), changes), load_config(config, changes)
    elif changes:
        raise TypeError("settings are for the path of a config; give them to load_config")
    return _shown(dataclasses.replace(advised.predict(config, engine, seed, command, progress), origin=origin))


def read_result(path: "Path | str") -> Result:
    """A kept prediction. Raises ResultFileError where the file is not a whole, known one."""
    from ...record.read import read

    return _shown(read(path))


def _shown(p: Prediction) -> Result:
    return Result(**{f.name: getattr(p, f.name) for f in dataclasses.fields(p)})
