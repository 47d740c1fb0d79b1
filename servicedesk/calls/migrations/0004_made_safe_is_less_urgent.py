from django.db import migrations
from django.db.models import Exists, OuterRef
from django.utils import timezone

OPEN = ["needs-action", "in-process"]
BEFORE, AFTER = 1, 4  # the priorities of work to be done today, and within the week


def make_less_urgent(apps, schema_editor):
    """Make open calls whose dangers were all made safe ones for this week, and their repairs with them."""
    Call = apps.get_model("calls", "Call")
    Answer = apps.get_model("calls", "SafetyAnswer")
    Task = apps.get_model("schedules", "MaintenanceTask")
    named = Answer.objects.filter(call=OuterRef("pk"), answer="yes")
    safe = Call.objects.filter(
        Exists(named), ~Exists(named.filter(made_safe_at__isnull=True)), state__in=OPEN, urgency="make_safe"
    )
    pks = list(safe.values_list("pk", flat=True))
    tasks = Task.objects.filter(call__in=pks, state__in=OPEN, priority=BEFORE)
    tasks.update(priority=AFTER, changed_at=timezone.now())
    Call.objects.filter(pk__in=pks).update(urgency="this_week")


class Migration(migrations.Migration):
    """From now on "make safe today" says that a danger stands."""

    dependencies = [
        ("calls", "0003_photos_and_phones"),
        ("schedules", "0004_letters_of_invitation"),
    ]

    operations = [migrations.RunPython(make_less_urgent, migrations.RunPython.noop)]
