"""The computing of Kerbwalk: pure functions on arrays, with no files, paths or Snakemake.

Frame positions have one convention everywhere: x to the right, y down, pixel centres at integers,
so that a picture W wide reaches from -0.5 to W - 0.5. A point given as fractions [fx, fy] of a picture
lies at x = fx * W - 0.5, y = fy * H - 0.5. "Photo pixels" are those of the upright photo at the
sensor's full resolution; every smaller picture states its scale to them.
"""
