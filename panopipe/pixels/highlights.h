/* Chunks of samples, and the marks of their pixels: what marks.c and highlights.c share. */
#ifndef PANOPIPE_HIGHLIGHTS_H
#define PANOPIPE_HIGHLIGHTS_H

#include "common.h"

/* The farthest that `without` looks. */
#define AWAY 3

/* As in band.py, where their meaning is told. */
#define DOUBTED 1
#define FULL 2
#define EDGE 4

typedef struct {
    const void *samples;
    char type;
    Py_ssize_t rows, width;
    Py_ssize_t margin, reach; /* outer rows on either side; how far a mixture may lie from what it mixes */
} Chunk;

/* A sample by its number among those of all planes; `type` is known where this is compiled in. */
INLINE float sample_at(const void *samples, char type, Py_ssize_t i)
{
    return type == 'H' ? (float)((const uint16_t *)samples)[i]
           : type == 'B' ? (float)((const uint8_t *)samples)[i]
                         : ((const float *)samples)[i];
}

INLINE Chunk chunk_of(const Arrays *arrays, Py_ssize_t margin, Py_ssize_t reach)
{
    const Py_buffer *samples = &arrays->view[0];
    return (Chunk){samples->buf, samples->format[0], arrays->length[0], arrays->length[1], margin, reach};
}

/* Whether all that an inner pixel may look at is there: `reach` around it, and AWAY to one side. */
INLINE int is_whole(const Chunk *chunk)
{
    return chunk->reach > 0 && chunk->margin >= chunk->reach && chunk->margin >= AWAY && chunk->margin < 1 << 24
           && chunk->rows >= 2 * chunk->margin && chunk->width >= 2 * chunk->margin && chunk->width <= 1 << 24;
}

INLINE Py_ssize_t count_marked(const uint8_t *marks, Py_ssize_t count, int which)
{
    Py_ssize_t found = 0;
    for (Py_ssize_t i = 0; i < count; i++)
        found += (marks[i] & which) != 0;
    return found;
}

#endif
