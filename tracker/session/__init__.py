"""What lies on disk: session folders, HDF5, CSV, exports."""
