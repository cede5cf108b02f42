/* See adaptation.py. */
#include "common.h"

/* Between which columns of the gains the pixels of a row lie: the cell of each, how far in it, and the pixel that
   begins the next cell. The same in all rows. */
typedef struct {
    int32_t *cell, *next;
    float *way;
} Places;

typedef struct {
    const float *gains;
    Places places;
    float low, per_level;
} Row;

static void find_places(int columns, int width, int whole, const Places *places)
{
    float per_column = (float)((double)(columns - 2) / (double)width), last = (float)(columns - 2);
    for (int i = 0; i < whole; i++) {
        float column = (float)i * per_column + (0.5f * per_column + 0.5f);
        places->cell[i] = (int)least_of(column, last);
        places->way[i] = column - (float)places->cell[i];
    }
    for (int i = whole - 1, next = whole; i >= 0; i--) {
        if (i + 1 < whole && places->cell[i] != places->cell[i + 1])
            next = i + 1;
        places->next[i] = next;
    }
}

INLINE void go_between(float left, float step, const float *RESTRICT way, int count, float *RESTRICT gain)
{
    for (int i = 0; i < count; i++)
        gain[i] = left + way[i] * step;
}

/* Cell by cell, as within one the ends stay the same. */
INLINE void read_gains(const Row *row, int first, Planes *RESTRICT gain)
{
    for (int i = 0; i < BLOCK;) {
        int at = first + i, next = row->places.next[at] - first, count = (next < BLOCK ? next : BLOCK) - i;
        const float *left = row->gains + 3 * row->places.cell[at], *right = left + 3, *way = row->places.way + at;
        go_between(left[0], right[0] - left[0], way, count, gain->red + i);
        go_between(left[1], right[1] - left[1], way, count, gain->green + i);
        go_between(left[2], right[2] - left[2], way, count, gain->blue + i);
        i += count;
    }
}

WIDE static void adapt_row(float *pixels, int width, const Row *row, const float *RESTRICT white)
{
    Planes light = {{0}, {0}, {0}}, gain;
    for (int first = 0; first < width; first += BLOCK) {
        int count = width - first < BLOCK ? width - first : BLOCK;
        take_apart(pixels + 3 * first, count, &light);
        read_gains(row, first, &gain);
        for (int i = 0; i < BLOCK; i++) {
            float red = light.red[i], green = light.green[i], blue = light.blue[i];
            float part = (least_of(least_of(red, green), blue) - row->low) * row->per_level;
            part = least_of(most_of(part, 0), 1);
            part = part * part * (3 - 2 * part);
            light.red[i] = red * (gain.red[i] + part * (white[0] - gain.red[i]));
            light.green[i] = green * (gain.green[i] + part * (white[1] - gain.green[i]));
            light.blue[i] = blue * (gain.blue[i] + part * (white[2] - gain.blue[i]));
        }
        put_together(&light, count, pixels + 3 * first);
    }
}

FAST static void gains_of_row(const float *table, Py_ssize_t size, float part, float *RESTRICT gains)
{
    for (Py_ssize_t i = 0; i < size; i++)
        gains[i] = (table[i + size] - table[i]) * part + table[i];
}

static const Argument arguments[] = {
    {"rows", 'f', 1, 3, {-1, -2, 3}}, {"gains", 'f', 0, 3, {-3, -4, 3}}, {"white", 'f', 0, 1, {3}}};

PyObject *adapt_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Row row;
    Py_ssize_t first;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOnff", &given[0], &given[1], &given[2], &first, &row.low, &row.per_level)
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1];
    Py_ssize_t tables = arrays.length[2], size = 3 * arrays.length[3];
    int sound = tables >= 3 && size >= 9 && size <= 1 << 24 && width >= 2 && width <= 1 << 22;
    Py_ssize_t whole = sound ? (width + BLOCK - 1) / BLOCK * BLOCK : 0;
    float *memory = PyMem_Malloc((size_t)(sound ? size + 3 * whole : 1) * sizeof *memory);
    if (!memory || !sound)
        return end_kernel(&arrays, memory, "gains: too few or too many");
    float *rows = arrays.view[0].buf, *gains = memory + 3 * whole;
    const float *table = arrays.view[1].buf;
    row.gains = gains;
    row.places = (Places){(int32_t *)memory, (int32_t *)memory + whole, memory + 2 * whole};
    double per_row = (double)(tables - 2) / (double)(width / 2);
    Py_BEGIN_ALLOW_THREADS
    find_places((int)arrays.length[3], (int)width, (int)whole, &row.places);
    for (Py_ssize_t y = 0; y < count; y++) {
        double place = ((double)(first + y) + 0.5) * per_row + 0.5;
        Py_ssize_t above = place < 0 ? 0 : place > (double)(tables - 2) ? tables - 2 : (Py_ssize_t)place;
        gains_of_row(table + above * size, size, (float)(place - (double)above), gains);
        adapt_row(rows + 3 * y * width, (int)width, &row, arrays.view[2].buf);
    }
    Py_END_ALLOW_THREADS
    return end_kernel(&arrays, memory, NULL);
}
