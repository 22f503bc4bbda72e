"""Files as the stages see them: photos, videos, small tables; the maths in kerbwalk knows none of them."""
