"""The fill plan: from the voids' volumes to what happens at the bench, in order."""
