/* Which samples are doubted; see panopipe/studies/clipped/band.py. */
#include "highlights.h"

/* What a sample must be above: as it is, and rounded down for samples of 16 bits, over and over by plane. */
typedef struct {
    float above[3 * BLOCK], full[3];
    uint16_t above_16[3 * BLOCK];
} Thresholds;

INLINE int any_above(const void *samples, char type, Py_ssize_t first, int count,
                     const Thresholds *thresholds)
{
    if (type == 'H') {
        const uint16_t *own = (const uint16_t *)samples + first;
        uint16_t over = 0;
        for (int i = 0; i < count; i++)
            over |= own[i] > thresholds->above_16[i] ? 0xffff : 0;
        return over != 0;
    }
    int any = 0;
    for (int i = 0; i < count; i++)
        any |= sample_at(samples, type, first + i) > thresholds->above[i];
    return any;
}

/* Mark the pixels of a block; whether any is doubted. */
INLINE int mark_block(const Chunk *chunk, char type, Py_ssize_t first, int count,
                      const Thresholds *RESTRICT thresholds, uint8_t *RESTRICT marks)
{
    const float *above = thresholds->above, *full = thresholds->full;
    memset(marks + first, 0, count);
    if (!any_above(chunk->samples, type, 3 * first, 3 * count, thresholds))
        return 0;
    for (Py_ssize_t i = first; i < first + count; i++) {
        float red = sample_at(chunk->samples, type, 3 * i);
        float green = sample_at(chunk->samples, type, 3 * i + 1);
        float blue = sample_at(chunk->samples, type, 3 * i + 2);
        int doubted = (red > above[0]) | (green > above[1]) | (blue > above[2]);
        int is_full = (red >= full[0]) & (green >= full[1]) & (blue >= full[2]);
        marks[i] = (uint8_t)(doubted * DOUBTED + is_full * FULL);
    }
    return 1;
}

INLINE int mark_samples(const Chunk *chunk, char type, const Thresholds *thresholds, uint8_t *marks)
{
    Py_ssize_t count = chunk->rows * chunk->width, whole = count / BLOCK * BLOCK;
    int any = 0;
    for (Py_ssize_t first = 0; first < whole; first += BLOCK)
        any |= mark_block(chunk, type, first, BLOCK, thresholds, marks);
    return any | mark_block(chunk, type, whole, (int)(count - whole), thresholds, marks);
}

FAST static int mark_16(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'H', thresholds, marks);
}

FAST static int mark_8(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'B', thresholds, marks);
}

FAST static int mark_float(const Chunk *chunk, const Thresholds *thresholds, uint8_t *marks)
{
    return mark_samples(chunk, 'f', thresholds, marks);
}

static void fill_thresholds(const float *given, Thresholds *thresholds)
{
    for (int i = 0; i < 3 * BLOCK; i++) {
        float above = given[i % 3];
        thresholds->above[i] = above;
        thresholds->above_16[i] = (uint16_t)(above < 0 ? 0 : above > 65535 ? 65535 : above);
    }
    memcpy(thresholds->full, given + 3, sizeof thresholds->full);
}

/* What is marked within reach of each pixel of a row, going round. `near` and `around` have room for `reach`
   more on either side. */
FAST static void mark_edges(uint8_t *marks, Py_ssize_t row, Py_ssize_t width, Py_ssize_t reach,
                            uint8_t *RESTRICT near, uint8_t *RESTRICT around)
{
    uint8_t *RESTRICT own = marks + row * width;
    memset(near + reach, 0, width);
    memset(around, 0, width);
    for (Py_ssize_t down = -reach; down <= reach; down++) {
        const uint8_t *other = own + down * width;
        for (Py_ssize_t i = 0; i < width; i++)
            near[reach + i] |= other[i];
    }
    for (Py_ssize_t i = 0; i < reach; i++) {
        near[i] = near[width + i];
        near[reach + width + i] = near[reach + i];
    }
    for (Py_ssize_t right = 0; right <= 2 * reach; right++)
        for (Py_ssize_t i = 0; i < width; i++)
            around[i] |= near[right + i];
    for (Py_ssize_t i = 0; i < width; i++)
        own[i] |= (around[i] & (uint8_t)~own[i] & (DOUBTED | FULL)) ? EDGE : 0;
}

static const Argument mark_arguments[] = {{"samples", ANY_SAMPLES, 0, 3, {-1, -2, 3}},
                                          {"thresholds", 'f', 0, 2, {2, 3}},
                                          {"marks", 'B', 1, 2, {-1, -2}}};

PyObject *mark_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t margin, reach;
    uint8_t *near = NULL;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOnnO", &given[0], &given[1], &margin, &reach, &given[2])
        || open_arrays(given, mark_arguments, 3, &arrays) < 0)
        return NULL;
    Chunk chunk = chunk_of(&arrays, margin, reach);
    if (!is_whole(&chunk))
        PyErr_SetString(PyExc_ValueError, "samples: too few rows or columns, or too many");
    else if (!(near = PyMem_Malloc(2 * (chunk.width + 2 * reach))))
        PyErr_NoMemory();
    if (!near) {
        close_arrays(&arrays);
        return NULL;
    }
    uint8_t *marks = arrays.view[2].buf;
    Thresholds thresholds;
    Py_ssize_t found = 0, inner = (chunk.rows - 2 * margin) * chunk.width;
    Py_BEGIN_ALLOW_THREADS
    fill_thresholds(arrays.view[1].buf, &thresholds);
    if ((chunk.type == 'H' ? mark_16 : chunk.type == 'B' ? mark_8 : mark_float)(&chunk, &thresholds, marks)) {
        for (Py_ssize_t row = margin; row < chunk.rows - margin; row++)
            mark_edges(marks, row, chunk.width, reach, near, near + chunk.width + 2 * reach);
        found = count_marked(marks + margin * chunk.width, inner, DOUBTED | EDGE);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(near);
    close_arrays(&arrays);
    return PyLong_FromSsize_t(found);
}
