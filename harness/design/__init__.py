"""The check on paper: what a device file alone says of the device, before anything is wound or powered."""
