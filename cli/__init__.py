"""The only folder that reads disks, prints and opens ports; everything else hands bytes and records about."""
