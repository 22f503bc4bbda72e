rule compose:
    input:
        frames=every_chunk("{shoot}/work/decoded/{chunk}.npy"),
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        look=look_for,
        matched=matched,
        gains="{shoot}/work/gains.csv",
        found="{shoot}/work/light.json",
        warps=timeline,
        framing=lambda w: of_picture(w, "framing.json"),
    output:
        video=frame_temp("{shoot}/work/composed/{chunk}.mkv"),
        hashes=frame_temp("{shoot}/work/composed/{chunk}.framemd5"),
        pictures=frame_temp("{shoot}/work/composed/{chunk}.yuv"),
    log:
        "{shoot}/work/logs/compose.{chunk}.log",
    benchmark:
        "{shoot}/work/times/compose.{chunk}.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("compose"),
        disk_mb=200,
        runtime=runtime("compose"),
    params:
        shows=shows,
        parts=lambda w: len(CHUNKS[w.shoot]),
        pictures=lambda w, output: output.get("pictures", []),
        local_contrast=lambda w: BY_ID[w.shoot].settings["look"]["local_contrast"],
        code=fingerprint("compose"),
    message:
        "{wildcards.shoot}: composing, part {wildcards.chunk}"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk compose --proxies {input.proxies:q} --look {input.look:q}"
        " --gains {input.gains:q} --found {input.found:q} --warps {input.warps:q} --framing {input.framing:q}"
        " --frames {input.frames:q} --local-contrast {params.local_contrast}"
        " --shows {params.shows} --part {wildcards.chunk} --parts {params.parts}"
        " --out {output.video:q} --hashes {output.hashes:q} --pictures {params.pictures:q} 2> {log:q}"


# A picture of an aspect or a size of its own.
use rule compose as compose_picture with:
    output:
        video=frame_temp("{shoot}/work/{picture}/composed/{chunk}.mkv"),
        hashes=frame_temp("{shoot}/work/{picture}/composed/{chunk}.framemd5"),
    log:
        "{shoot}/work/logs/compose.{picture}.{chunk}.log",
    benchmark:
        "{shoot}/work/times/compose.{picture}.{chunk}.tsv"
    message:
        "{wildcards.shoot}: composing {wildcards.picture}, part {wildcards.chunk}"
