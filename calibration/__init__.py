"""What is known before a photo is looked at: fittings, cameras, and how good the method itself is."""
