"""The clinic's records: one data folder with a database, the recordings and their results.

Every function takes the opened `Clinic` and returns frozen records; pages and command line call
the same ones. SQLAlchemy is named in `database.py` alone.
"""

from formcheck.clinic.database import Clinic, open_clinic
from formcheck.clinic.folder import DataFolder, data_folder

__all__ = ["Clinic", "DataFolder", "data_folder", "open_clinic"]
