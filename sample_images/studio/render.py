"""Arrays in, light out: bodies and an environment map become a mitsuba scene, and a camera's pixels radiance.

Every surface is the same plugin with the same kinds of inputs, and rays are made here from K, R, t, so that
the kernels compile once and serve every scene.
"""

from dataclasses import dataclass

import numpy as np

from .body import Body, Material
from .camera import Camera
from .meshes import box, move

CLAMP = 40.0
PASS_SPP = 16
MOST_PX = 4_100_000  # rendered in one go; larger pictures in bands, as every sample needs memory
BODIES = 48  # every scene is padded to this many, as the kernels' call tables depend on it


_SPECK = Body("speck", move(box((1, 1, 1)), shift=(0, 0, -9e5)), Material(np.zeros(3)))


@dataclass(frozen=True)
class Flash:
    """A lamp at a point (mm, joint frame) with linear RGB radiant intensity, for light at 1 mm."""

    at_mm: np.ndarray
    intensity: np.ndarray


class Renderer:
    """Holds mitsuba in one variant (`llvm_ad_rgb` or `cuda_ad_rgb`)."""

    def __init__(self, variant: str) -> None:
        import drjit as dr
        import mitsuba as mi

        mi.set_variant(variant)
        mi.set_log_level(mi.LogLevel.Error)
        self.mi, self.dr = mi, dr
        self.integrator = mi.load_dict({"type": "path", "max_depth": 5, "rr_depth": 4})
        # stratified samples: half the noise of independent ones here
        self.sampler = mi.load_dict({"type": "multijitter", "sample_count": PASS_SPP})
        self.sampler.set_samples_per_wavefront(PASS_SPP)

    def _texture(self, value, channels: int) -> dict:
        a = np.asarray(value, np.float32)
        if channels == 3 and a.ndim == 1:
            a = a[None, None]
        if channels == 1:
            a = np.atleast_2d(a)[..., None]
        a = np.ascontiguousarray(np.clip(a, 0, 1).astype(np.float16))
        return {
            "type": "bitmap",
            "bitmap": self.mi.Bitmap(a),
            "raw": True,
            "filter_type": "bilinear",
            "wrap_mode": "mirror",
            "format": "fp16",
        }

    def _shape(self, body: Body):
        mi, m = self.mi, body.material
        bsdf = mi.load_dict(
            {
                "type": "twosided",
                "bsdf": {
                    "type": "principled",
                    "base_color": self._texture(m.color, 3),
                    "roughness": self._texture(m.roughness, 1),
                    "metallic": self._texture(m.metallic, 1),
                    "specular": float(m.specular),
                },
            }
        )
        props = mi.Properties()
        props["mesh_bsdf"] = bsdf
        mesh = mi.Mesh(
            body.name,
            len(body.mesh.points),
            len(body.mesh.faces),
            has_vertex_normals=True,
            has_vertex_texcoords=True,
            props=props,
        )
        params = mi.traverse(mesh)
        params["vertex_positions"] = body.mesh.points.ravel().astype(np.float32)
        params["vertex_normals"] = body.mesh.normals.ravel().astype(np.float32)
        params["vertex_texcoords"] = body.mesh.uv.ravel().astype(np.float32)
        params["faces"] = body.mesh.faces.ravel().astype(np.uint32)
        params.update()
        return mesh

    def build(self, bodies: list[Body], sky: np.ndarray, to_world: np.ndarray, flash: Flash | None):
        """A scene and the table from its shapes to `bodies`."""
        mi = self.mi
        if len(bodies) > BODIES:
            raise ValueError(f"{len(bodies)} bodies in one scene; at most {BODIES} fit")
        shapes = [self._shape(b) for b in [*bodies, *[_SPECK] * (BODIES - len(bodies))]]
        content = {"type": "scene", **{f"s{i}": s for i, s in enumerate(shapes)}}
        content["sky"] = {
            "type": "envmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(sky, np.float32)),
            "to_world": mi.ScalarTransform4f(to_world),
        }
        if flash is not None:
            content["flash"] = {
                "type": "point",
                "position": [float(v) for v in flash.at_mm],
                "intensity": {"type": "rgb", "value": [float(v) for v in flash.intensity]},
            }
        scene = mi.load_dict(content)
        ids = [int(self.dr.reinterpret_array(mi.UInt32, mi.ShapePtr(s))[0]) for s in shapes]
        return scene, dict(zip(ids, range(len(bodies)), strict=False))

    def _rays(self, camera: Camera, spp: int, jitter: bool):
        mi, dr = self.mi, self.dr
        k, w, h = camera.K, camera.width_px, camera.height_px
        index = dr.arange(mi.UInt32, w * h * spp) // spp if spp > 1 else dr.arange(mi.UInt32, w * h)
        wide = dr.opaque(mi.UInt32, w)
        row = index // wide
        x, y = mi.Float(index - row * wide), mi.Float(row)
        if jitter:
            s = self.sampler.next_2d()
            x, y = x + s.x - 0.5, y + s.y - 0.5
        number = [dr.opaque(mi.Float, float(v)) for v in (k[0, 0], k[1, 1], k[0, 2], k[1, 2])]
        c = mi.Vector3f((x - number[2]) / number[0], (y - number[3]) / number[1], 1)
        r = [[dr.opaque(mi.Float, float(v)) for v in line] for line in camera.R]
        d = mi.Vector3f(*[r[0][i] * c.x + r[1][i] * c.y + r[2][i] * c.z for i in range(3)])
        o = mi.Point3f(*[dr.opaque(mi.Float, float(v)) for v in camera.centre_mm])
        return mi.Ray3f(o, dr.normalize(d))

    def radiance(self, scene, camera: Camera, spp: int, seed: int) -> np.ndarray:
        """Linear RGB (h, w, 3), the mean of `spp` samples spread over each pixel's square."""
        rows = max(1, MOST_PX // camera.width_px)
        starts = range(0, camera.height_px, rows)
        bands = [self._band(scene, camera.rows(y, y + rows), spp, seed + 7919 * y) for y in starts]
        return np.concatenate(bands)

    def _band(self, scene, camera: Camera, spp: int, seed: int) -> np.ndarray:
        mi, dr = self.mi, self.dr
        n, passes = camera.width_px * camera.height_px, max(1, spp // PASS_SPP)
        total = np.zeros((3, n), np.float32)
        for i in range(passes):
            self.sampler.seed(dr.opaque(mi.UInt32, (seed * 1009 + i) & 0xFFFFFFFF), n * PASS_SPP)
            ray = self._rays(camera, PASS_SPP, jitter=True)
            light, _, _ = self.integrator.sample(scene, self.sampler, ray)
            light = [dr.clip(c, 0, CLAMP) for c in light]
            dr.eval(*light)
            light = [dr.block_reduce(dr.ReduceOp.Add, c, PASS_SPP) for c in light]
            total += np.array([np.array(c) for c in light])
        return np.nan_to_num(total / (passes * PASS_SPP)).T.reshape(camera.height_px, camera.width_px, 3)

    def classes(self, scene, table: dict[int, int], bodies: list[Body], camera: Camera) -> np.ndarray:
        """The class map (h, w) uint8: what a ray through each pixel's centre meets first."""
        mi, dr = self.mi, self.dr
        si = scene.ray_intersect(self._rays(camera, 1, jitter=False))
        which = dr.select(si.is_valid(), dr.reinterpret_array(mi.UInt32, si.shape), 0)
        dr.eval(which, si.uv)
        which, u, v = np.array(which), np.array(si.uv.x), np.array(si.uv.y)
        out = np.zeros(which.size, np.uint8)
        for shape_id, i in table.items():
            hit = np.flatnonzero(which == shape_id)
            label = bodies[i].label
            if np.ndim(label):
                rows, cols = label.shape
                c = np.floor(u[hit] * cols).astype(int) % cols
                r = np.clip(np.floor(v[hit] * rows).astype(int), 0, rows - 1)
                out[hit] = label[r, c]
            else:
                out[hit] = label
        return out.reshape(camera.height_px, camera.width_px)
