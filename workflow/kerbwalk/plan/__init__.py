"""Planning a walk on paper: pace, exposure, geometry, light, storage, and the card for the pocket.

Every part is pure: numbers in, answers out (`answers.Answer`), each with its unit, what it comes from and the
assumptions that it rests on. What cannot be is refused with `answers.PlanError`, one sentence.
"""
