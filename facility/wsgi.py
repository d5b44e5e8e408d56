"""What gunicorn serves."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "facility.settings")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # small matrices: threads only wait
application = get_wsgi_application()
