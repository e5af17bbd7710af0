"""STEP files of balls: exact spheres, cones and tori, through the CAD kernel of the optional extra `cad`.

The phantom sphere's face is split along the dimples' edges; what lies in them is left out, and the revolved
sections are sewn in. Only a catenary's wall is no elementary surface: it is a revolved cubic spline through
points of the chain.
"""

import importlib.util
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.arrays import FloatArray
from pipeline.errors import InputError, MissingError
from pipeline.files.atomic import atomic_open
from pipeline.geometry.ball.height_field import DimpledBall

SEWING_MM = 1e-5
"""Edges nearer than this are one; rounding leaves some 1e-12 mm."""

_CHAIN_POINTS = 41
_SPLINE_MM = 1e-9
_VOLUME_ERROR = 1e-9


def can_write_step() -> bool:
    """Whether the CAD kernel is installed."""
    return importlib.util.find_spec("OCP") is not None


def why_no_step(ball: DimpledBall) -> str | None:
    """Why there can be no STEP file of a ball; None when there can."""
    if not can_write_step():
        return "the CAD kernel is not installed: pip install 'depthline[cad]'"
    if ball.perimeters.sides.any():
        return "walls of polygonal dimples are no spheres, cones or tori"
    return None


def ball_solid(ball: DimpledBall) -> Any:
    """Solid (TopoDS_Shape, lengths in mm) of a ball with round dimples.

    Raises
    ------
    MissingError
        If the CAD kernel is not installed.
    InputError
        If the ball has polygonal dimples, or its faces do not close.
    """
    _check(ball)
    if not len(ball.layout.directions):
        from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere

        return BRepPrimAPI_MakeSphere(500 * ball.ball_diameter_m).Solid()
    dimples = [_dimple(ball, dimple) for dimple in range(len(ball.layout.directions))]
    return _sewn([*(face for face, _ in _land(ball, split=False)), *dimples])


def half_solids(ball: DimpledBall) -> tuple[Any, Any]:
    """Parts of a ball above and below the plane z = 0, as of `ball_solid`.

    Where no dimple crosses the plane they are sewn from the faces of their side and a disc; else the ball is
    split.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeWire
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pnt

    _check(ball)
    height = ball.layout.directions[:, 2]
    if (np.abs(height) < np.sin(ball.outer_rad)).any():
        return _split(ball_solid(ball), 500 * ball.ball_diameter_m)
    circle = gp_Circ(gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1)), 500 * ball.ball_diameter_m)
    disc = BRepBuilderAPI_MakeFace(
        BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(circle).Edge()).Wire()
    ).Face()
    land = _land(ball, split=True)
    parts = []
    for sign in (1, -1):
        dimples = [_dimple(ball, int(dimple)) for dimple in np.flatnonzero(sign * height > 0)]
        parts.append(_sewn([*(face for face, z in land if sign * z > 0), *dimples, disc]))
    return parts[0], parts[1]


def _check(ball: DimpledBall) -> None:
    reason = why_no_step(ball)
    if reason is not None:
        raise (InputError if can_write_step() else MissingError)(reason)


def _sewn(faces: list[Any]) -> Any:
    """Solid inside faces that close."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Sewing
    from OCP.BRepLib import BRepLib
    from OCP.TopAbs import TopAbs_SHELL
    from OCP.TopoDS import TopoDS

    sewing = BRepBuilderAPI_Sewing(SEWING_MM)
    for face in faces:
        sewing.Add(face)
    sewing.Perform()
    shells = _explored(sewing.SewedShape(), TopAbs_SHELL)
    if len(shells) != 1 or sewing.NbFreeEdges():
        raise InputError("the ball's faces do not close; dimples that touch leave no land to sew to")
    solid = BRepBuilderAPI_MakeSolid(TopoDS.Shell(shells[0])).Solid()
    BRepLib.OrientClosedSolid_s(solid)
    return solid


def _split(solid: Any, radius_mm: float) -> tuple[Any, Any]:
    """Parts of a solid above and below the plane z = 0."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Splitter
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
    from OCP.TopAbs import TopAbs_SOLID

    reach = 1.1 * radius_mm
    plane = gp_Pln(gp_Pnt(0, 0, 0), gp_Dir(0, 0, 1))
    tool = BRepBuilderAPI_MakeFace(plane, -reach, reach, -reach, reach).Face()
    splitter = BRepAlgoAPI_Splitter()
    splitter.SetArguments(_listed([solid]))
    splitter.SetTools(_listed([tool]))
    splitter.Build()
    parts = _explored(splitter.Shape(), TopAbs_SOLID)
    if len(parts) != 2:
        raise InputError(
            f"the plane of the seam splits the ball into {len(parts)} parts, not 2; a layout with a "
            "free seam (seam: straight) needs no splitting"
        )
    lower, upper = sorted(parts, key=lambda part: _properties(part).CentreOfMass().Z())
    return upper, lower


def write_step(path: Path, solid: Any) -> None:
    """Write a solid as STEP, lengths in mm; under a temporary name first."""
    from OCP.IFSelect import IFSelect_RetDone
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    _quiet()
    writer = STEPControl_Writer()
    writer.Transfer(solid, STEPControl_AsIs)
    with tempfile.TemporaryDirectory(prefix="depthline-") as folder:
        written = Path(folder) / "solid.step"
        if writer.Write(str(written)) != IFSelect_RetDone:
            raise OSError(f"{path}: the CAD kernel could not write it")
        with atomic_open(path) as stream:
            stream.write(written.read_bytes())


def volume_mm3(solid: Any) -> float:
    """Volume of a solid [mm^3], by adaptive quadrature of its exact faces."""
    return float(_properties(solid).Mass())


def _properties(solid: Any) -> Any:
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(solid, found, _VOLUME_ERROR, False, False)
    return found


def _land(ball: DimpledBall, split: bool) -> list[tuple[Any, float]]:
    """Faces of the phantom sphere outside of all dimples, split along z = 0 or not, and their centroids' z.

    The centroid of a piece of a dimple's cap lies in the cap's convex hull, beyond the plane of its edge;
    that of land lies before all of these planes.
    """
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Splitter
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge
    from OCP.BRepGProp import BRepGProp
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeSphere
    from OCP.gp import gp_Ax2, gp_Circ, gp_Dir
    from OCP.GProp import GProp_GProps
    from OCP.TopAbs import TopAbs_FACE
    from OCP.TopoDS import TopoDS

    radius, centres = 500 * ball.ball_diameter_m, ball.layout.directions
    level, edge = radius * np.cos(ball.outer_rad), radius * np.sin(ball.outer_rad)
    circles = [(axis, height, across) for axis, height, across in zip(centres, level, edge, strict=True)]
    if split:
        circles.append((np.array([0.0, 0.0, 1.0]), 0.0, radius))
    splitter = BRepAlgoAPI_Splitter()
    splitter.SetArguments(_listed([BRepPrimAPI_MakeSphere(float(radius)).Face()]))
    splitter.SetTools(
        _listed(
            [
                BRepBuilderAPI_MakeEdge(
                    gp_Circ(gp_Ax2(_point(axis * height), gp_Dir(*map(float, axis))), float(across))
                ).Edge()
                for axis, height, across in circles
            ]
        )
    )
    splitter.Build()
    land = []
    for shape in _explored(splitter.Shape(), TopAbs_FACE):
        face, found = TopoDS.Face(shape), GProp_GProps()
        BRepGProp.SurfaceProperties_s(face, found)
        middle = found.CentreOfMass()
        if (centres @ [middle.X(), middle.Y(), middle.Z()] < level).all():
            land.append((face, middle.Z()))
    return land


def _dimple(ball: DimpledBall, dimple: int) -> Any:
    """Faces of one dimple: its section revolved about its axis."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeEdge, BRepBuilderAPI_MakeWire
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeRevol
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt

    axis = ball.layout.directions[dimple]
    across = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    across /= np.linalg.norm(across)
    wire = BRepBuilderAPI_MakeWire()
    for points in section_pieces(ball, dimple):
        places = [_point(x * across + z * axis) for x, z in points]
        wire.Add(BRepBuilderAPI_MakeEdge(_curve(places)).Edge())
    return BRepPrimAPI_MakeRevol(wire.Wire(), gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(*map(float, axis)))).Shape()


def section_pieces(ball: DimpledBall, dimple: int) -> list[FloatArray]:
    """Points of each piece of a dimple's section, from its axis outward.

    Returns
    -------
    list of ndarray, shape (k, 2)
        Distance from the axis and height over the ball's centre [mm]: both ends of a line, both ends and the
        middle of an arc, `_CHAIN_POINTS` of a catenary.
    """
    sections, roundings = ball.cavities.sections.at(dimple), ball.cavities.roundings()
    wall, end = ball.cavities.wall_rad[dimple], float(roundings.share[dimple])
    edge = 500 * ball.layout.chord_diameters_m[dimple]
    level = 500 * ball.ball_diameter_m * np.cos(ball.cavities.half_angle_rad[dimple])

    def along(start: float, stop: float, count: int) -> FloatArray:
        share = np.linspace(start, stop, count)
        height = sections.wall_point(wall, share)[0]
        return np.stack([edge * share, level + edge * height], axis=1)

    if sections.catenary:
        pieces = [along(0.0, end, _CHAIN_POINTS)]
    elif sections.curvature_ratio == 1:
        pieces = [along(0.0, end, 3)]
    else:
        joint = float(sections.joint)
        pieces = [along(0.0, joint, 3), along(joint, end, 2 if sections.curvature_ratio == 0 else 3)]
    rounded = 1e3 * float(sections.edge_radius_m)
    if rounded > 0:
        outer, slope = roundings.outer_rad[dimple], roundings.slope_rad[dimple]
        reach = 500 * ball.ball_diameter_m - rounded
        middle = (outer - slope) / 2
        arc = [
            [reach * np.sin(outer) + rounded * np.sin(turn), reach * np.cos(outer) + rounded * np.cos(turn)]
            for turn in (-slope, middle, outer)
        ]
        pieces.append(np.array(arc))
        pieces[-1][0] = pieces[-2][-1]
    return pieces


def _curve(places: list[Any]) -> Any:
    """Line through two points, arc through three, spline through more."""
    from OCP.GC import GC_MakeArcOfCircle, GC_MakeSegment
    from OCP.GeomAPI import GeomAPI_Interpolate
    from OCP.OCP.collections import HArray1_gp_Pnt

    if len(places) == 2:
        return GC_MakeSegment(*places).Value()
    if len(places) == 3:
        return GC_MakeArcOfCircle(*places).Value()
    points = HArray1_gp_Pnt(1, len(places))
    for number, place in enumerate(places, start=1):
        points.SetValue(number, place)
    spline = GeomAPI_Interpolate(points, False, _SPLINE_MM)
    spline.Perform()
    return spline.Curve()


def _point(values: FloatArray) -> Any:
    from OCP.gp import gp_Pnt

    return gp_Pnt(*map(float, values))


def _listed(shapes: list[Any]) -> Any:
    from OCP.OCP.collections import List_TopoDS_Shape

    found = List_TopoDS_Shape()
    for shape in shapes:
        found.Append(shape)
    return found


def _explored(shape: Any, kind: Any) -> list[Any]:
    from OCP.TopExp import TopExp_Explorer

    found, explorer = [], TopExp_Explorer(shape, kind)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found


def _quiet() -> None:
    """Take the kernel's reports off standard output, where commands print results."""
    from OCP.Message import Message, Message_PrinterOStream

    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
