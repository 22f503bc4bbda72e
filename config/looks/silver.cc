<?xml version="1.0" encoding="UTF-8"?>
<ColorCorrection id="silver" xmlns="urn:ASC:CDL:v1.2">
  <SOPNode><Slope>1.08 1.08 1.08</Slope><Offset>-0.02 -0.02 -0.02</Offset><Power>1.05 1.05 1.05</Power></SOPNode>
  <SatNode><Saturation>0</Saturation></SatNode>
</ColorCorrection>
