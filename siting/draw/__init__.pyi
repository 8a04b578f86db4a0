from .asking import ask_all as ask_all
from .forms import THINGS as THINGS
from .page import write_page as write_page
from .start import property_of_answers as property_of_answers
from .start import property_of_files as property_of_files
from .start import property_to_draw as property_to_draw
from .start import with_undrawn as with_undrawn
