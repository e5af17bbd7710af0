"""Posterior of the discrepancy in the line against a sampler's, for one invented maker.

python benchmarks/correction_posterior.py write FILE.npz     in the project's environment
python benchmarks/correction_posterior.py sample FILE.npz    where numpyro is (no dependency)

The second prints mean and standard deviation by both: the line sums Gaussians over a grid of three sizes, the
sampler (NUTS) draws the sizes from their half-normal priors.
"""

import sys

import numpy as np


def write(path: str) -> None:
    """Learn a discrepancy and save its rows, design, noise and posterior."""
    from pipeline.aero.discrepancy import SIZES, Comparison, _design, _noise, columns, learn

    rng = np.random.default_rng(5)
    re, s = (of.ravel() for of in np.meshgrid([8e4, 1.3e5, 1.9e5], [0.07, 0.15, 0.25]))
    patterns, given = ["a", "b", "c", "new"], []
    shared = np.array([[-0.025, -0.005, 0.01, -0.004], [0.18, 0.03, -0.05, 0.06]])
    scale = np.array([0.008, 0.05])[:, None] * np.array([1.0, 0.5, 0.5, 0.5])
    for name in patterns[:3]:
        own = shared + scale * rng.normal(size=(2, 4))
        for depth in (1.5e-4, 2.1e-4):
            modes = np.zeros((2, 2, re.size))
            modes[0, 0], modes[1, 1] = 0.002, 0.012
            off = own @ columns(depth, re, s).T + np.einsum("k,kcn->cn", rng.normal(size=2), modes)
            given.append(Comparison(f"{name}{depth:g}", name, "range", depth, re, s, off, modes))
    found = learn(patterns, given)
    at = columns(1.8e-4, re, s)
    np.savez(
        path,
        rows=np.concatenate([of.difference.ravel() for of in given]),
        design=_design(patterns, given), noise=_noise(given), at=at,
        shared=[of.shared for of in SIZES], own=[of.own for of in SIZES], patterns=len(patterns),
        mean=found.mean_at("new", at), sd=found.deviation_at("new", at),
        level=found.shared()[0][:, 0], level_sd=found.shared()[1][:, 0],
    )  # fmt: skip


def sample(path: str) -> None:
    """Sample the same model and print both posteriors."""
    import jax
    import jax.numpy as jnp
    import numpyro
    import numpyro.distributions as dist
    from numpyro.infer import MCMC, NUTS

    jax.config.update("jax_enable_x64", True)
    of = np.load(path)
    n, at = int(of["patterns"]), of["at"]

    def weights(sizes, z):
        prior = jnp.concatenate(
            [
                jnp.concatenate([sizes[2] * of["shared"][c], jnp.tile(sizes[c] * of["own"][c], n)])
                for c in range(2)
            ]
        )
        return prior * z

    def model():
        sizes = numpyro.sample("sizes", dist.HalfNormal(1.0).expand([3]))
        z = numpyro.sample("z", dist.Normal(0.0, 1.0).expand([of["design"].shape[1]]))
        mean = jnp.array(of["design"]) @ weights(sizes, z)
        numpyro.sample("rows", dist.MultivariateNormal(mean, jnp.array(of["noise"])), obs=of["rows"])

    run = MCMC(NUTS(model, target_accept_prob=0.95), num_warmup=1000, num_samples=4000, progress_bar=False)
    run.run(jax.random.PRNGKey(0))
    drawn = run.get_samples()
    theta = np.asarray(jax.vmap(weights)(drawn["sizes"], drawn["z"]))
    print("quantity,mean_line,mean_sampler,sd_line,sd_sampler")
    for c, name in enumerate(("Cd", "ln Cl")):
        start = c * 4 * (1 + n)
        level = theta[:, start]
        print(
            f"shared level of {name},{of['level'][c]:.4f},{level.mean():.4f},{of['level_sd'][c]:.4f},"
            f"{level.std():.4f}"
        )
        new = theta[:, start : start + 4] + theta[:, start + 4 * n : start + 4 * n + 4]
        values = new @ at.T
        for k in (0, 4, 8):
            print(
                f"{name} of a pattern not fired at condition {k + 1},{of['mean'][c, k]:.4f},"
                f"{values[:, k].mean():.4f},{of['sd'][c, k]:.4f},{values[:, k].std():.4f}"
            )


if __name__ == "__main__":
    {"write": write, "sample": sample}[sys.argv[1]](sys.argv[2])
