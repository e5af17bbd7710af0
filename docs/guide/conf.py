"""Builds the guide with Sphinx: `./run guide`; its figures are drawn from the tracked measurements."""

from pathlib import Path

HERE = Path(__file__).resolve().parent

project = "Depthline"
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build"]
html_theme = "alabaster"
html_title = "Depthline: the guide"
html_static_path = ["_static"]
html_copy_source = False
html_show_sphinx = False
html_theme_options = {
    "description": "From a study file to the depth to cut",
    "fixed_sidebar": True,
    "page_width": "62rem",
}
myst_enable_extensions = ["colon_fence"]
# Links to files of the tree beside the guide are left as they are: the guide is read from a clone.
suppress_warnings = ["myst.xref_missing"]


def _published_figure() -> None:
    """Draw computed less published Cd and Cl, from docs/measured/25_published_balls.csv."""
    import matplotlib

    matplotlib.use("Agg")
    import pandas as pd
    from matplotlib.figure import Figure

    frame = pd.read_csv(HERE.parent / "measured" / "25_published_balls.csv", comment="#")
    for name in ("computed", "published"):
        frame[name] = frame[name].astype(str).str.split(" ").str[0].astype(float)
    frame = frame[frame["published"].abs() > 0.02]
    frame["share"] = 100.0 * (frame["computed"] / frame["published"] - 1.0)
    shallow = frame["depth"].groupby(frame["ball"]).transform("min")
    frame = frame[frame["depth"] == shallow].reset_index(drop=True)
    figure = Figure(figsize=(8.4, 0.8 + 0.24 * len(frame)), layout="constrained")
    axes = figure.subplots()
    colours = frame["quantity"].map({"Cd": "#0072b2", "Cl": "#d55e00"})
    axes.barh(frame.index, frame["share"], color=colours)
    axes.set_yticks(frame.index, frame["ball"] + ", " + frame["flow"] + ", " + frame["quantity"], fontsize=7)
    axes.axvline(0.0, color="#222222", linewidth=1.0)
    axes.set_xlabel("computed less published, % (blue: Cd, red: Cl)")
    axes.invert_yaxis()
    target = HERE / "_static" / "published.svg"
    target.parent.mkdir(exist_ok=True)
    figure.savefig(target)


_published_figure()
