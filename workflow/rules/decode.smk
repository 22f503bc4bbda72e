rule decode:
    input:
        ingest="{shoot}/work/ingest.json",
        hot="{shoot}/work/hot.json",
    output:
        frames=frame_temp("{shoot}/work/decoded/{chunk}.npy"),
        proxies="{shoot}/work/proxies/{chunk}.npz",
    log:
        "{shoot}/work/logs/decode.{chunk}.log",
    benchmark:
        "{shoot}/work/times/decode.{chunk}.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("decode"),
        disk_mb=decoded_mb,
        # What the scheduler goes by, see workflow/plugins.
        frames_mb=frames_mb,
        room_mb=int(1000 * (NIGHT["disk_gb"] or 0)),
        runtime=runtime("decode"),
    params:
        names=lambda w: json.dumps(CHUNKS[w.shoot][w.chunk]),
        photos=photos,
        settings=lambda w: json.dumps({"boxes": recipes.boxes(BY_ID[w.shoot].recipes)}),
        denoise=lambda w: BY_ID[w.shoot].settings["denoise"],
        identity=identity,
        dark=DARK[0],
        dark_content=DARK[1],
        code=fingerprint("decode"),
    message:
        "{wildcards.shoot}: decoding, part {wildcards.chunk}"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk decode --ingest {input.ingest:q} --settings {params.settings:q}"
        " --names {params.names:q} --photos {params.photos:q} --hot {input.hot:q} --dark {params.dark:q}"
        " --denoise {params.denoise} --takes {resources.frames_mb} --room {resources.room_mb} --frames {output.frames:q} --proxies {output.proxies:q} 2> {log:q}"
