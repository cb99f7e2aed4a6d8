"""Why a team is as it is: one module a diagnosis, each from signs to evidence for, against and missing."""
